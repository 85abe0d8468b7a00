"""Every mistake that the reader tells: its line, its thing, its reason and its remedy.

Each row changes a layout that has one of everything and no mistake, and states
the one finding that follows; so no mistake is told twice over, and none hides.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from attrs import frozen

from signalling.errors import Severity
from signalling.layout.read import examine_text

EVERYTHING = (Path(__file__).parents[1] / "one_of_everything.toml").read_text("utf-8")


@frozen
class Mistake:
    old: str
    new: str
    thing: str
    message: str
    remedy: str
    at: str
    """What stands on its line."""
    severity: Severity = Severity.ERROR


def warned(old: str, new: str, *rest: str) -> Mistake:
    return Mistake(old, new, *rest, severity=Severity.WARNING)


def added(table: str, text: str, *rest: str) -> Mistake:
    """Return a mistake that is one more entry at the start of a table."""
    return Mistake(f"[{table}]\n", f"[{table}]\n{text}\n", *rest, text.splitlines()[-1])


def lines_added(blocks: int, text: str, *rest: str) -> Mistake:
    """Return a mistake in more lines over so many more blocks, y1 and so on; told at the last."""
    more = "".join(f"[blocks.y{number + 1}]\n" for number in range(blocks))
    return Mistake("[lines]\n", f"{more}[lines]\n{text}\n", *rest, text.splitlines()[-1])


Y = "[blocks.y1]\n[blocks.y2]\n[blocks.y3]\n[blocks.y4]\n"

SHAPE = [
    Mistake(
        'name = "Cormorant Halt"', "", "layout", "`name` is missing", "Add `name = ", "[layout]"
    ),
    Mistake('scale = "H0"', "title = 1", "layout", 'no key "title"', "name, practice", "title"),
    Mistake("hold_off = 1.0", "hold_of = 1", "layout", '"hold_of"', "mean `hold_off`?", "hold_of"),
    Mistake("hold_off = 1.0", "hold_off = -1", "layout", "is -1, and must be 0 or more", "s", "-1"),
    Mistake("hold_off = 1.0", "hold_off = nan", "layout", "is nan", "number of seconds", "nan"),
    Mistake("hold_off = 1.0", "hold_off = inf", "layout", "is inf", "number of seconds", "inf"),
    Mistake("hold_off = 1.0", "hold_off = 1e999", "layout", "is inf", "of seconds", "1e999"),
    Mistake(
        "hold_off = 1.0", f"hold_off = {'9' * 400}", "layout", "very large", "seconds", "999999"
    ),
    Mistake("hold_off = 1.0", f"hold_off = 0x{'F' * 9000}", "layout", "very large", "s", "0xFF"),
    Mistake("time = 20", "time = 0", "layout", "must be more than 0", "of seconds", "time = 0"),
    Mistake("sequence = true", "sequence = 1", "layout", "is 1, where true or", "true or", "= 1"),
    Mistake("sequence = true", 'sequence = "true"', "layout", '"true"', "quotes away", '"true"'),
    Mistake('scale = "H0"', "scale = 87", "layout", "is 87", "a text in quotes", "87"),
    Mistake("[blocks]", "[blokcs]\n[blocks]", "[blokcs]", "no such", "mean `blocks`?", "[blokcs]"),
    Mistake("[blocks]", "[z]\n[blocks]", "[z]", "no such table", "layout, blocks", "[z]"),
    Mistake(
        "a4 = {}", "a4 = 2400", "block a4", "`a4` is 2400", "braces, such as `{ length", "a4 ="
    ),
    Mistake("a4 = {}", 'a4 = { length = "24" }', "block a4", 'is "24"', "Take the quotes", "a4 ="),
    Mistake("a4 = {}", "a4 = { length = [24] }", "block a4", "is a list", "number of mm", "a4 ="),
    Mistake("a4 = {}", "a4 = { length = 2024-01-01 }", "block a4", "2024-01-01", "of mm", "a4 ="),
    Mistake("a4 = {}", "a4 = { length = 0 }", "block a4", "must be more than 0", "of mm", "a4 ="),
    Mistake("a4 = {}", "a4 = { lenght = 5 }", "block a4", '"lenght"', "mean `length`?", "a4 ="),
    Mistake("a4 = {}", "a4 = { hold_off = -0.5 }", "block a4", "is -0.5", "0 or more", "a4 ="),
    Mistake(
        '{ block = "j1", moved', "{ moved", "turnout t2", "`block` is missing", "the block", "t2 ="
    ),
    Mistake('"us"', '"uss"', "turnout t2", '"others" or "us"', "mean `us`?", "t2 ="),
    Mistake('"us"', "true", "turnout t2", "is true", '"others" or "us"', "t2 ="),
    Mistake('"a3 > a4[t3 reverse] > x1"', "5", "line pit", "`pit` is 5", "in quotes", "pit = 5"),
    Mistake("aspects = 2 }\nS6", "aspects = 1 }\nS6", "signal S5", "is 1", "2 or more", "S5 ="),
    Mistake("aspects = 2 }\nS6", "aspects = 2.5 }\nS6", "signal S5", "is 2.5", "whole", "S5 ="),
    Mistake("[4, 5.5]", "[4, 0]", "signal S6", "is 0, and must be more than 0", "s", "S6 ="),
    Mistake("[4, 5.5]", '[4, "5"]', "signal S6", '`hidden` is "5"', "quotes away", "S6 ="),
    Mistake("[4, 5.5]", "4", "signal S6", "`hidden` is 4", "list in brackets, each", "S6 ="),
    Mistake("release_after = 2", "release_after = -2", "route S2/quay", "-2", "0 or", "after = -2"),
    Mistake(
        '"from-caution"', '"caution"', "route S3/pit", '"caution"', "`from-caution`?", "routes.pit"
    ),
    Mistake('indicator = "P"', "indicator = 4.5", "route S3/pit", "is 4.5", "text", "routes.pit"),
    added("danger", 'd9 = { signals = "S1" }', "danger input d9", 'is "S1"', '`["S1"]`'),
    added("danger", "d9 = { signals = [1] }", "danger input d9", "is 1", "text in quotes"),
    added("danger", "d9 = {}", "danger input d9", "`signals` is missing", "the signals that it"),
    Mistake('"lifted"', '"off"', "stop brake4", 'is "off"', '"applied" or "lifted"', "brake4 ="),
    Mistake("speed = 200", "speed = 0", "train local", "more than 0", "mm per second", "local ="),
    Mistake("braking = 300", "braking = inf", "train local", "inf", "second squared", "local ="),
    Mistake("fresh = 10", "fresh = 0", "binding 1", "must be more than 0", "seconds", "fresh = 0"),
    Mistake("fresh = 10", "frehs = 10", "binding 1", '"frehs"', "mean `fresh`?", "frehs"),
    Mistake("fresh = 10", "report = 10", "binding 1", "`report` is 10", "a table", "report = 10"),
    Mistake(
        'kind = "loopback"', "", "transport bench", "`kind` is missing", "`kind =", "[transports.b"
    ),
    Mistake('kind = "loopback"', "kind = 3", "transport bench", "is 3", "`kind =", "kind = 3"),
    Mistake(
        '[transports.bench]\nkind = "loopback"',
        "[transports]\nbench = 7",
        "transport bench",
        "`bench` is 7",
        "Write a table",
        "bench = 7",
    ),
]

NAMES = [
    added("trains", '"x 1" = { line = "main", start = "a1" }', 'train "x 1"', "letters", "`x-1`"),
    added("trains", '"" = { line = "main", start = "a1" }', 'train ""', "A name", "Rename it."),
    added(
        "trains",
        '"é\\u001b" = { line = "main", start = "a1" }',
        'train "é\\u001b"',
        "A name is letters",
        "Rename it.",
    ),
    added("stops", '"a/b" = { signal = "S1" }', 'stop "a/b"', "A name is", "to `a-b`"),
]

TRACK = [
    Mistake('"a1 > a2', '"a1 >> a2', "line main", "where a block is", "Write blocks", "main ="),
    Mistake("j1[t1 rev", "j1[t1 rv", "line quay", "'t1 rverse' stands where a lie", "t1 n", "quay"),
    Mistake("[t1 rev", "[t1 normal, t1 rev", "line quay", "two lies", "Keep the one", "quay ="),
    Mistake('"a2 > j1[t1 r', '"a22 > j1[t1 r', "line quay", "no block a22", "`a2`?", "quay ="),
    Mistake("a4[t3 normal", "a4[t33 normal", "line main", "no turnout t33", "`t3`?", "main ="),
    Mistake(
        "reverse] > x1",
        "reverse] > x1[t1 normal]",
        "line pit",
        "Turnout t1 is in block j1, and its lie is written at block x1",
        "`j1[t1 normal]`",
        "pit =",
    ),
    Mistake("> a3 > a4[t3 n", "> a3 > a3 > a4[t3 n", "line main", "a3 follows itself", "", "main"),
    lines_added(2, 'y = "y1 > y2 > y1"', "line y", "y1 into y2 and back into y1", "divide one"),
    Mistake(
        "[lines]\n",
        '[blocks.y1]\n[blocks.y2]\n[blocks.y3]\n[turnouts.t4]\nblock = "y1"\n[lines]\n'
        'y = "y1[t4 normal] > y2 > y3 > y1[t4 reverse]"\n',
        "line y",
        "begins and ends in block y1 with different lies",
        "same lies",
        "y =",
    ),
    lines_added(
        4,
        'y = "y1 > y2 > y3"\nz = "y1 > y2 > y4"',
        "line z",
        "From y1, block y2 leads on both to y3 and to y4, and no turnout in it lies differently",
        'Describe the turnout, as `t1 = { block = "y2" }`, and write its lies in both lines, as '
        "`y2[t1 normal]` and `y2[t1 reverse]`.",
    ),
    Mistake(
        "j1[t1 reverse, t2 normal]",
        "j1[t2 normal]",
        "line quay",
        "From a2, block j1 leads on both to a3 and to q1",
        "Write the turnout's lies in both lines, as `j1[t1 normal]`",
        "quay =",
    ),
    warned(
        "[lines]\n",
        f'{Y}[lines]\nx = "y1 > y2 > y3"\ny = "y2 > y4"\n',
        "line y",
        "ends in block y2, which other lines run through",
        "`y1 > y2 > y4`",
        "y =",
    ),
    Mistake(
        "[lines]\n",
        f'{Y}[turnouts.t4]\nblock = "y2"\n[lines]\n'
        'x = "y1 > y2[t4 normal]"\ny = "y2[t4 normal] > y3"\nz = "y4 > y2[t4 reverse]"\n',
        "line y",
        "It ends in block y2, and so does a line from y1; neither a line through it nor a turnout",
        "Write a line through it, as `y1 > y2 > y3`, or write the turnout's lies in both lines",
        "y =",
    ),
    warned("a4 = {}", "a4 = {}\nz1 = {}", "block z1", "No line runs", "Put it in a line", "z1 ="),
    added(
        "turnouts",
        't9 = { block = "a2" }',
        "turnout t9",
        "No line says how it must lie, so signals would clear however it lies",
        "`a2[t9 normal]`",
    ),
    Mistake('t3 = { block = "a4"', 't3 = { block = "zz"', "turnout t3", "block zz", "a1,", "t3 ="),
    Mistake('"us"', '"us", lock = true', "turnout t2", "others move", "Take `lock`", "t2 ="),
    Mistake('"j1" }', '"j1", lever = true }', "turnout t1", "asks for the lock", "`lock =", "t1 ="),
]

SIGNALS = [
    Mistake('"a3 > a4"', '"a3 - a4"', "signal S3", "where a block is", "Write blocks", "at = "),
    Mistake('"a3 > a4"', '"a3"', "signal S3", "not a joint", "the block in rear", 'at = "a3"'),
    Mistake('"a3 > a4"', '"a3 > b4"', "signal S3", "no block b4", "a1, a2", "b4"),
    Mistake(
        '"a3 > a4"',
        '"a3 > q1"',
        "signal S3",
        "No line runs between a3 and q1",
        "(a3 meets j1 and a4; q1 meets j1), or write the line",
        "q1",
    ),
    Mistake(
        'S5 = { at = "j1 > a2"',
        'S5 = { at = "a2 > j1"',
        "signal S2",
        "Signal S5 (line 35) stands at a2 > j1 already, for the same direction",
        "turn one round: `j1 > a2`",
        'at = "a2 > j1"',
    ),
    Mistake(
        "routes.pit",
        "routes.quay",
        "route S3/quay",
        "Line quay does not pass the signal, which stands at a3 > a4",
        "Name a line that does: main and pit",
        "routes.quay",
    ),
    Mistake("routes.pit", "routes.pot", "route S3/pot", "no line pot", "`pit`?", "routes.pot"),
    Mistake(
        "indicator = 4\nindicator_proved = true\n",
        "",
        "route S2/quay",
        "`override` is about the route indicator, and the route has none",
        "Add `indicator",
        "override = true",
    ),
    Mistake(
        'indicator = "P"',
        "indicator_proved = true",
        "route S3/pit",
        "`indicator_proved` is about",
        "take `indicator_proved` out",
        "routes.pit",
    ),
    Mistake('["S2", "S3"]', '["S2", "S9"]', "signal V2", "no signal S9", "S1, S2", "V2 ="),
    Mistake('["S2", "S3"]', '["S2", "V2"]', "signal V2", "Signal V2 is a distant", "main", "V2 ="),
    Mistake(
        '["S2", "S3"]',
        '["S2", "S3"], minimum_on = 3',
        "signal V2",
        "which has no `minimum_on`",
        "Take `minimum_on` out",
        "V2 =",
    ),
    Mistake('splitting = "quay"', 'splitting = "key"', "signal S1", "no line key", "main", "S1 ="),
    Mistake(
        'brake2 = { signal = "S2"',
        'brake2 = { signal = "V2"',
        "stop brake2",
        "Signal V2 is a distant signal",
        "Name a main signal",
        "brake2",
    ),
    Mistake(
        '"a1 > a2", aspects = 2, distant = ["S2", "S3"] }',
        '"a1 > a2", aspects = 2, distant = true }\nV3 = { at = "a1 > a2", distant = true }',
        "signal V3",
        "Signal V2 (line",
        "Take one",
        "V3 =",
    ),
    Mistake(
        'overlap = "j1[', 'overlap = "a2 > j1[', "signal S2", "begins in block a2", "with j1", "ov"
    ),
    Mistake(
        '> a3"\nlamps', '> a4"\nlamps', "signal S2", "between j1 and a4", "j1 meets", "overlap"
    ),
    Mistake(
        'overlap = "j1[t1 normal',
        'overlap = "j1[t1 reverse',
        "signal S2",
        "No line runs from a2 through j1[t1 reverse, t2 normal] to a3",
        "follow a line",
        "overlap",
    ),
    Mistake(
        '> a3"\nlamps', '> "\nlamps', "signal S2", "where a block is", "Write blocks", "overlap"
    ),
]

STOPS_AND_DANGER = [
    Mistake(
        'brake2 = { signal = "S2"',
        'brake2 = { signal = "S9"',
        "stop brake2",
        "no signal S9",
        "S1, S2",
        "brake2 =",
    ),
    Mistake('section = "a4"', 'section = "b4"', "stop brake4", "no block b4", "a1, a2", "brake4 ="),
    Mistake(
        'section = "a4"',
        'section = "x1"',
        "stop brake4",
        "Block x1 does not lie before signal S4, which stands at a4 > a1",
        "up to the signal: a4",
        "brake4 =",
    ),
    Mistake(
        'section = "a4"',
        'section = "a1"',
        "stop brake4",
        "Block a1 does not lie before",
        "a4",
        "brake4 =",
    ),
    warned(
        'section = "a4"',
        'section = "a2"',
        "stop brake4",
        "Block a2 lies before another signal",
        "between the two signals: a4",
        "brake4 =",
    ),
    added(
        "danger", "d9 = { signals = [] }", "danger input d9", "names no signals", "List the signals"
    ),
    added("danger", 'd9 = { signals = ["S1", "S77"] }', "danger input d9", "no signal S77", "S1"),
    warned(
        "[danger]\n",
        '[danger]\nd9 = { signals = ["S1"], hold = 3 }\n',
        "danger input d9",
        "`hold` does nothing",
        "`press = true`",
        "d9 =",
    ),
]

BUTTONS = [
    added("buttons", "b = {}", "button b", "does nothing", "`entry`"),
    added("buttons", 'b = { ask = "hold all", cancel = true }', "button b", "one thing", "`ask`"),
    added("buttons", 'b = { exit = "S1", cancel = true }', "button b", "one thing", "`ask`"),
    added("buttons", 'b = { entry = "S77" }', "button b", "no signal S77", "S1"),
    added(
        "buttons", 'b = { exit = "S77" }', "button b", "no signal and no block S77", "last block"
    ),
    added("buttons", 'b = { exit = "a11" }', "button b", "no signal and no block a11", "`a1`"),
    added("buttons", "b = { cancel = true, within = 0 }", "button b", "more than 0", "seconds"),
    warned(
        "[buttons]\n",
        '[buttons]\nb = { entry = "S1" }\n',
        "button b",
        "Signal S1 works automatically",
        "`controlled = true`",
        "b =",
    ),
    warned(
        "[buttons]\n",
        '[buttons]\nb = { exit = "S1", move = "shunt" }\n',
        "button b",
        "`move` does nothing",
        "Take `move` out",
        "b =",
    ),
    warned(
        "[buttons]\n",
        '[buttons]\nb = { ask = "free all", within = 2 }\n',
        "button b",
        "`within` does nothing",
        "Take `within` out",
        "b =",
    ),
]

DETECTORS_AND_TRAINS = [
    Mistake(
        'a1-far = { block = "a1"',
        "a1-far = { ",
        "detector a1-far",
        "neither",
        "Give `block`",
        "a1-far",
    ),
    Mistake(
        'a1-far = { block = "a1"',
        'a1-far = { block = "a1", at = "a1 > a2"',
        "detector a1-far",
        "both",
        "Give `block`",
        "a1-far",
    ),
    Mistake(
        'a1-far = { block = "a1"',
        'a1-far = { block = "b1"',
        "detector a1-far",
        "no block b1",
        "a1,",
        "a1-far",
    ),
    added("detectors", 'd9 = { at = "a3 > x1" }', "detector d9", "between a3 and x1", "a3 meets"),
    added("detectors", 'd9 = { at = "a3" }', "detector d9", "not a joint", "the block in rear"),
    Mistake(
        'beam-out = { at = "a4 > a3" }\n',
        "",
        "block a3",
        "towards j1 and none towards a4",
        'at `a3 > a4`, or a section detector: `a3 = { block = "a3" }` in [detectors]',
        "a3 = {",
    ),
    Mistake(
        '\na1 = { block = "a1" }\na1-far = { block = "a1" }',
        '\nq1 = { block = "a1" }',
        "block q1",
        "detector q1 reports a1",
        "Rename that",
        'q1 = { block = "a1"',
    ),
    Mistake('line = "main"', 'line = "mail"', "train local", "no line mail", "`main`?", "local ="),
    Mistake('start = "a1"', 'start = "b1"', "train local", "no block b1", "a1,", "local ="),
    Mistake(
        'start = "a1"',
        'start = "q1"',
        "train local",
        "does not run through block q1",
        "a1, a2, j1, a3 and a4",
        "local =",
    ),
]

BEAMS = 'device = "detector beam-*"'
LAST = "[[bindings]]\n" + BEAMS
"""The third binding of three."""

TRANSPORTS_AND_BINDINGS = [
    Mistake('= "bench"', '= "bnech"', "binding 3", "no transport bnech", "`bench`?", "bnech"),
    Mistake(
        BEAMS,
        'device = "detecter *"',
        "binding 3",
        '"detecter *" is not a kind',
        "`detector`?",
        "detecter",
    ),
    Mistake(
        BEAMS,
        'device = "detector"',
        "binding 3",
        '"detector" is not a kind of device and a',
        "`detector *`",
        '"detector"',
    ),
    Mistake(
        BEAMS,
        'device = ["detector *", "zz *"]',
        "binding 3",
        '"zz *"',
        "the kinds are detector",
        "zz",
    ),
    Mistake(
        BEAMS,
        'device = ["detector *", "detector beam"]',
        "binding 3",
        "no detector beam",
        "`beam-",
        "beam",
    ),
    Mistake(
        BEAMS, 'device = ["detector *", "lamps S4"]', "binding 3", "no lamps S4", "It has S2.", "S4"
    ),
    Mistake(
        BEAMS,
        'device = ["detector *", "stop ??"]',
        "binding 3",
        'no stop "??"',
        "It has brake2 and brake4",
        "??",
    ),
    warned(
        BEAMS,
        'device = ["detector *", "detector z*"]',
        "binding 3",
        '"detector z*" stands for no device: the layout has detector a1',
        "take it out",
        "z*",
    ),
    Mistake(
        "report = {",
        "order = {",
        "binding 3",
        "`order` does nothing here: none of 2 devices takes",
        "Take `order`",
        "order = {",
    ),
    Mistake(
        LAST,
        f'[[bindings]]\ndevice = "signal *"\ntransport = "club"\nreport = {{}}\n{LAST}',
        "binding 3",
        "`report` does nothing here: none of 8 devices reports",
        "Take `report` out.",
        "report = {}",
    ),
    warned(
        LAST,
        f'[[bindings]]\ndevice = "turnout t1"\ntransport = "club"\norder = {{}}\n{LAST}',
        "binding 3",
        "turnout t1 never takes orders",
        'has `moved_by = "us"`',
        "order = {}",
    ),
    warned(
        LAST,
        f'[[bindings]]\ndevice = "stop brake4"\ntransport = "club"\nfresh = 5\n{LAST}',
        "binding 3",
        "`fresh` does nothing here: stop brake4 never reports",
        "A stop reports where it has `proved = true`.",
        "fresh = 5",
    ),
    warned(
        "[transports.bench]",
        '[transports.spare]\nkind = "mqtt"\n[transports.bench]',
        "transport spare",
        "carries nothing",
        "Bind devices to it",
        "spare",
    ),
    warned(
        '"danger *", ',
        '"danger panic", ',
        "danger press",
        "No binding names it, so signal S1 stays at danger",
        '`device = "danger press"`',
        "press = {",
    ),
    warned(
        '"danger *", ',
        '"danger press", ',
        "danger panic",
        "signals S1, S2, S3, S4, S5 and S6 stay at danger",
        "danger *",
        "panic = {",
    ),
    warned(
        '"override *", ',
        "",
        "override S2/quay",
        "so signal S2 stays at danger until it is known",
        "override *",
        "override = true",
    ),
    warned(
        '"lamps *", ',
        "",
        "lamps S2",
        "signal S2 stays at danger, since its lamps",
        "lamps *",
        "[signals.S2]",
    ),
    warned(', "lock *"', "", "lock t3", "its turnout stays locked", "lock *", "t3 = {"),
    warned(
        '"turnout *"',
        '"turnout t1", "turnout t3"',
        "turnout t2",
        "signals over it stay at danger",
        "turnout *",
        "t2 = {",
    ),
    warned(
        '"indicator *"',
        '"indicator S2"',
        "indicator S3",
        "it stays dark",
        "indicator *",
        "[signals.S3]",
    ),
    warned(
        '"stop *"',
        '"stop brake2"',
        "stop brake4",
        "it stays as it is without power, lifted",
        "stop *",
        "brake4 =",
    ),
    warned(
        '"signal *"',
        '"signal S1*", "signal S2", "signal S3", "signal S4", "signal S5", "signal V2"',
        "signal S6",
        "its aspects are shown nowhere",
        "signal *",
        "S6 =",
    ),
    warned(
        '["detector *"',
        '["detector a*", "detector j1", "detector x1"',
        "detector q1",
        "block q1 counts as occupied",
        "detector *",
        "q1 =",
    ),
]

MISTAKES = [
    *SHAPE,
    *NAMES,
    *TRACK,
    *SIGNALS,
    *STOPS_AND_DANGER,
    *BUTTONS,
    *DETECTORS_AND_TRAINS,
    *TRANSPORTS_AND_BINDINGS,
]


def test_the_layout_with_one_of_everything_has_no_mistake() -> None:
    assert examine_text(EVERYTHING).findings.sorted() == ()


def test_an_exit_that_two_things_are_called_is_told() -> None:
    text = EVERYTHING.replace("S5 =", "a1 =").replace('"S5"', '"a1"')
    (finding,) = examine_text(text).findings.sorted()
    assert finding.thing == "button end"
    assert finding.message == "There is a signal a1 and a block a1."


@pytest.mark.parametrize(
    "mistake", MISTAKES, ids=lambda mistake: f"{mistake.thing}: {mistake.new[:40]!r}"
)
def test_a_mistake_is_told_once_with_its_line_thing_reason_and_remedy(mistake: Mistake) -> None:
    assert mistake.old in EVERYTHING
    text = EVERYTHING.replace(mistake.old, mistake.new, 1)
    reading = examine_text(text, "halt.toml")
    (finding,) = reading.findings.sorted()
    assert finding.severity is mistake.severity
    assert finding.file == "halt.toml"
    assert finding.thing == mistake.thing
    assert mistake.message in finding.message
    assert mistake.remedy in finding.remedy
    assert finding.line is not None
    assert mistake.at in text.splitlines()[finding.line - 1]
    for sentence in (finding.message, finding.remedy):
        assert sentence[-1] in ".?"
        assert len(sentence) < 400
