"""The programs in C that the page shows: compiled, and run against our own node."""

from __future__ import annotations

import ctypes
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.mqtt_node import NodeEnd
from transports.mqtt.own.codec import AllDanger, Heard, NodeOrder, check_sum, encode
from transports.mqtt.own.document import EXAMPLES

PAGE = (Path(__file__).parents[4] / "docs" / "mqtt-schema.md").read_text("utf-8")
CHECK_SUM, OUTLINE = re.findall(r"```c\n(.*?)```", PAGE, re.DOTALL)

BOARD = """
#include <stdint.h>
#include <stddef.h>
#include <string.h>
enum reason { REPEATED, LATE, STALE, ANOTHER_CONTROLLER };
struct order;
uint32_t the_time, shown, said, counts[4];
char next_session[17];
static uint32_t now(void) { return the_time; }
static void danger(void) { shown = 0; }
static void show(const struct order *o);
static void say_report(void) { said++; }
static int changed(void) { return 0; }
static void random_hex(char *to) { strcpy(to, next_session); }
static void count(enum reason why) { counts[why]++; }
"""

LOOK = """
static void show(const struct order *o) { shown = o->seq; }
uint32_t our_number(void) { return seq; }
uint32_t their_number(void) { return last; }
void say_now(void) { soon = 1; loop(); }
"""


class COrder(ctypes.Structure):
    _fields_ = (
        ("session", ctypes.c_char_p),
        ("seq", ctypes.c_uint32),
        ("ttl", ctypes.c_uint32),
        ("heard_session", ctypes.c_char_p),
        ("heard_seq", ctypes.c_uint32),
    )


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> ctypes.CDLL:
    compiler = shutil.which("cc")
    if compiler is None:
        pytest.fail("no C compiler; on Debian: apt-get install gcc libc6-dev", pytrace=False)
    folder = tmp_path_factory.mktemp("outline")
    (folder / "node.c").write_text(BOARD + CHECK_SUM + OUTLINE + LOOK)
    options = ["-std=c99", "-Wall", "-Wextra", "-Werror", "-shared", "-fPIC", "-o", "node.so"]
    subprocess.run([compiler, *options, "node.c"], cwd=folder, check=True)
    return ctypes.CDLL(str(folder / "node.so"))


def test_the_check_sum(program: ctypes.CDLL) -> None:
    program.check_sum.restype = ctypes.c_uint32
    program.check_sum.argtypes = (ctypes.c_char_p, ctypes.c_size_t)
    for data in (b"123456789", b"", *(encode(each) for each in EXAMPLES.values())):
        assert b"%08x" % program.check_sum(data, len(data)) == check_sum(data)


AT_REST: dict[str, dict[str, Any]] = {"signal": {"M1": {"aspect": "danger"}}}


class Both:
    """The page's program and our own node, told the same."""

    def __init__(self, program: ctypes.CDLL) -> None:
        self.c = program
        self.ms = 1_000_000
        self.seqs = {"a": 10, "b": 10}
        self.ours = NodeEnd("shed", "GP-1", AT_REST)
        self._set("the_time", self.ms)
        self.c.loop()
        self.connect()

    def _set(self, name: str, value: int) -> None:
        ctypes.c_uint32.in_dll(self.c, name).value = value

    def _get(self, name: str) -> int:
        return int(ctypes.c_uint32.in_dll(self.c, name).value)

    def c_count(self, reason: int) -> int:
        return int((ctypes.c_uint32 * 4).in_dll(self.c, "counts")[reason])

    @property
    def now(self) -> float:
        return self.ms / 1000

    def connect(self) -> None:
        self.ours.begin()
        name = self.ours.numbers.session.encode()
        ctypes.memmove((ctypes.c_char * 17).in_dll(self.c, "next_session"), name, 16)
        self.c.on_connected()
        self.said_at = self.now
        self.ours.report(self.now)

    def wait(self, ms: int) -> None:
        self.ms += ms
        self._set("the_time", self.ms)

    def say(self) -> None:
        self.c.say_now()
        self.said_at = self.now
        self.ours.report(self.now)

    def look(self) -> None:
        """Let what is overdue be noticed, and a report be said that is due, by both."""
        self.c.loop()
        self.ours.check(self.now)
        if self.ours.due or self.now >= self.said_at + 0.25:
            self.said_at = self.now
            self.ours.report(self.now)

    def all_danger(self) -> None:
        self.c.on_all_danger()
        self.ours.take_all_danger(encode(AllDanger(session="0" * 16)), self.now)

    def order(
        self,
        by: str = "a",
        step: int = 1,
        back: int = 0,
        ttl: int = 1000,
        *,
        to_us: bool = True,
        heard: bool = True,
    ) -> None:
        """Order with the number that is ``step`` on, in answer to the report before ``back``."""
        seq = self.seqs[by] + step
        self.seqs[by] = max(seq, self.seqs[by])
        number = max(self.ours.numbers.last - back, 1)
        session = self.ours.numbers.session if to_us else "0" * 16
        order = NodeOrder(
            node="shed",
            session=by * 16,
            seq=seq,
            heard=Heard(session=session, seq=number) if heard else None,
            ttl=ttl,
            orders={"signal": {"M1": {"aspect": f"number {seq}"}}},
        )
        self.ours.take_order(encode(order), self.now)
        session_in_c = session.encode() if heard else None
        told = COrder(order.session.encode(), seq, ttl, session_in_c, number)
        self.c.on_order(ctypes.byref(told))

    def compare(self) -> None:
        self.ours.check(self.now)
        aspect = self.ours.outputs["signal"]["M1"]["aspect"]
        shown = self._get("shown")
        if self.ours.obeying:
            assert aspect == f"number {shown}"
        else:
            assert aspect == "danger"
        assert self.c.our_number() == self.ours.numbers.last
        assert self.c.their_number() == (0 if self.ours.heard is None else self.ours.heard.seq)


# Times that both count exactly: those of one in eighths of a second, those of the other in ms.
WAITS = st.sampled_from([0, 125, 250, 500, 1000])
STEPS = st.one_of(
    st.tuples(st.just("wait"), WAITS),
    st.tuples(st.just("say")),
    st.tuples(st.just("all danger")),
    st.tuples(st.just("connect")),
    st.tuples(
        st.just("order"),
        st.sampled_from("aaab"),
        st.sampled_from([1, 1, 1, 0, -1, 3]),
        st.sampled_from([0, 0, 0, 1, 2, -1]),
        st.sampled_from([250, 500, 1000]),
        st.sampled_from([True, True, True, True, False]),
        st.sampled_from([True, True, True, True, False]),
    ),
)


@settings(max_examples=300)
@given(st.lists(STEPS, max_size=25))
def test_the_outline_does_what_our_node_does(
    program: ctypes.CDLL, steps: list[tuple[Any, ...]]
) -> None:
    both = Both(program)
    both.compare()
    for each in steps:
        match each:
            case ("wait", ms):
                both.wait(ms)
            case ("say",):
                both.say()
            case ("all danger",):
                both.all_danger()
            case ("connect",):
                both.connect()
            case ("order", by, step, back, ttl, to_us, heard):
                both.order(by, step, back, ttl, to_us=to_us, heard=heard)
        both.look()
        both.compare()


def test_the_outline_obeys_and_lets_go(program: ctypes.CDLL) -> None:
    both = Both(program)
    both.order()
    assert both._get("shown") == 0
    both.look()  # it says whom it has heard, and obeys what answers that
    both.order()
    assert both._get("shown") == 12
    counted = [both.c_count(reason) for reason in range(4)]
    both.order(step=0)
    both.order(step=-1)
    assert both._get("shown") == 12
    assert [both.c_count(reason) for reason in range(4)] == [
        counted[0] + 1,
        counted[1] + 1,
        *counted[2:],
    ]
    # It lets go when the report is too old that was heard, not when the order is.
    both.wait(500)
    both.order()
    assert both._get("shown") == 13
    both.wait(500)
    both.look()
    assert both._get("shown") == 0
    # What was ordered before that is not obeyed, whatever has been heard.
    both.order(back=1)
    both.order(ttl=60_000, back=1)
    assert both._get("shown") == 0
    both.order()
    assert both._get("shown") == 16


def test_the_outline_obeys_neither_of_two_controllers(program: ctypes.CDLL) -> None:
    both = Both(program)
    both.order("a")
    both.say()
    both.order("a")
    assert both._get("shown") == both.seqs["a"]
    for by in "bbaabbaabbaabbaa":
        both.say()
        both.order(by)
        assert both._get("shown") == 0
        both.wait(250)
    for _ in range(4):
        both.say()
        both.order("a")
        shown = both._get("shown")
        both.wait(250)
    assert shown == both.seqs["a"]


def test_what_came_before_the_newest_is_not_obeyed_when_its_session_is_heard_again(
    program: ctypes.CDLL,
) -> None:
    both = Both(program)
    for _ in range(2):
        both.order("a")
        both.look()
    assert both._get("shown") == 12
    # Another controller; while nobody is obeyed, the first says two things, of which one is late.
    both.order("b")
    both.order("a")
    both.wait(500)
    both.look()
    answered = both.ours.numbers.last
    both.seqs["a"] += 1
    both.order("a")
    both.order("b", to_us=False)
    for _ in range(3):
        both.wait(125)
        both.look()
    both.wait(125)
    both.order("a", step=-1, back=both.ours.numbers.last - answered)
    both.compare()
    assert both._get("shown") == 0
