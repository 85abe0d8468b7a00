"""Equations of detection: from what detectors report to which blocks are occupied.

Law of this file: one set of equations per block, made on demand, each from
reports and memory alone. Whatever is unknown counts as occupied.

- A *section detector* must read clear for the hold-off before its block does.
- A *spot detector* sees one place. A block that has only spot detectors is
  occupied from the beam at one end being broken until the beam at another end
  has been broken and is clear again.
- *A train cannot vanish.* A block that a train was seen in, and that goes
  clear without the train having been seen to straddle a joint to a neighbour,
  stays occupied, and so does every neighbour, until the train is found again
  or a person restores the block. (Common practice, after sequence locking of
  the real railway.)
- A block that a person has taken *out of use* counts as occupied, whatever is
  seen of it.
- *Restoring takes two acts.* A person declares the block empty, which changes
  nothing; a second, other request confirms it, in its time. What a train does
  between the two takes the declaration back.
"""

from __future__ import annotations

from attrs import define, field

from signalling.layout.model import Block, Layout
from signalling.layout.notation import Joint, parse_joint
from signalling.layout.out_of_use import Thing
from signalling.layout.track import Track
from signalling.table.graph import FALSE, TRUE, Graph, Latch, Literal
from signalling.table.out_of_use import out_of_use

__all__ = ["Detection", "nanoseconds"]


def nanoseconds(seconds: float) -> int:
    """Return a time of the layout file, in s, as the core counts it, in ns."""
    return round(seconds * 1_000_000_000)


@define
class Detection:
    """Makes the equations of blocks in one graph."""

    graph: Graph
    layout: Layout
    track: Track
    sections: dict[str, list[str]] = field(factory=dict)
    """Section detectors of each block."""
    beams: dict[str, dict[str, list[str]]] = field(factory=dict)
    """Spot detectors of each block, by the neighbour at whose joint they look."""
    _seen: dict[str, Literal] = field(factory=dict)
    _inside: dict[str, tuple[Latch, dict[str, Latch]]] = field(factory=dict)
    _before: dict[str, Latch] = field(factory=dict)
    _over: dict[Joint, Latch] = field(factory=dict)
    _remains: dict[str, Literal] = field(factory=dict)
    _lost: dict[str, Latch] = field(factory=dict)
    _vanishing: dict[str, Literal] = field(factory=dict)
    _occupied: dict[str, Literal] = field(factory=dict)

    def __attrs_post_init__(self) -> None:
        """Sort the detectors by the blocks that they report."""
        for name, detector in self.layout.detectors.items():
            if detector.block is not None:
                self.sections.setdefault(detector.block, []).append(name)
            elif detector.at is not None:
                joint = parse_joint(detector.at)
                for block, other in ((joint.rear, joint.ahead), (joint.ahead, joint.rear)):
                    self.beams.setdefault(block, {}).setdefault(other, []).append(name)

    # -- what a report says --------------------------------------------------------

    def reported(self, detector: str, value: str) -> Literal:
        """Return whether a detector reports this value now."""
        return self.graph.input(
            f"detector {detector}={value}",
            f"detector {detector} reports {value}",
            f"detector {detector} does not report {value}",
        )

    def _all_beams(self, block: str) -> list[str]:
        return [name for names in self.beams.get(block, {}).values() for name in names]

    def _hold_off(self, block: str) -> int:
        own = self.layout.blocks.get(block, Block()).hold_off
        return nanoseconds(self.layout.settings.hold_off if own is None else own)

    def _settled(self, block: str, detectors: list[str], what: str) -> Literal:
        """Return whether all these detectors have read clear for the block's hold-off."""
        clear = self.graph.all_of(*(self.reported(name, "clear") for name in detectors))
        return self.graph.timer(
            f"{what} clear for the hold-off",
            self._hold_off(block),
            clear,
            holds=f"{what} has read clear for the hold-off",
            fails=f"{what} has not read clear for the hold-off",
        )

    # -- what detection says of a block -----------------------------------------------

    def seen(self, block: str) -> Literal:
        """Return whether detection shows something in a block, or cannot exclude it."""
        known = self._seen.get(block)
        if known is None:
            if block in self.sections or block not in self.beams:
                detectors = self.sections.get(block, []) + self._all_beams(block)
                settled = self._settled(block, detectors, f"block {block}")
                known = settled ^ 1
            else:
                known = self._seen_by_beams(block)
            self.graph.equation(
                f"block {block} seen",
                known,
                f"detection does not show block {block} clear",
                f"detection shows block {block} clear",
            )
            self._seen[block] = known
        return known

    def present(self, block: str) -> Literal:
        """Return whether a detector reports a vehicle in a block; unknown does not count."""
        if block in self.sections:
            return self.graph.any_of(
                *(self.reported(name, "occupied") for name in self.sections[block])
            )
        self.seen(block)
        if block not in self._inside:
            return FALSE
        return self.graph.any_of(*(latch.literal for latch in self._inside[block][1].values()))

    def remains(self, block: str) -> Literal:
        """Return whether a vehicle was reported in a block and has not been seen to leave since.

        As ``present``, but a bad contact that reads clear for less than the
        hold-off does not end it.
        """
        known = self._remains.get(block)
        if known is None:
            graph = self.graph
            latch = graph.latch(
                f"a vehicle remains in {block}",
                holds=f"a vehicle was reported in block {block} and has not left it",
                fails=f"no vehicle was reported in block {block} of late",
            )
            present = self.present(block)
            stays = graph.all_of(latch.literal, self.seen(block), self.unknown(block) ^ 1)
            graph.set_next(latch, graph.any_of(present, stays))
            known = self._remains[block] = graph.any_of(present, latch.literal)
        return known

    def unknown(self, block: str) -> Literal:
        """Return whether some detector of a block says nothing that counts."""
        detectors = self.sections.get(block) or self._all_beams(block)
        return self.graph.any_of(
            *(
                self.graph.all_of(
                    self.reported(name, "clear") ^ 1, self.reported(name, "occupied") ^ 1
                )
                for name in detectors
            )
        )

    def entered(self, block: str) -> Literal:
        """Return whether a block is seen occupied now and was not before."""
        before = self._before.get(block)
        if before is None:
            before = self._before[block] = self.graph.latch(
                f"block {block} seen before", initial=True
            )
            self.graph.set_next(before, self.seen(block))
        return self.graph.all_of(self.seen(block), before.literal ^ 1)

    def occupied(self, block: str) -> Literal:
        """Return whether a block counts as occupied, all told."""
        known = self._occupied.get(block)
        if known is None:
            around = (block, *self.track.neighbours.get(block, ()))
            lost = [self.lost(name) for name in around]
            lost += [self.vanishing(name) for name in around]
            known = self.graph.any_of(
                self.seen(block), *lost, out_of_use(self.graph, Thing.BLOCK, block)
            )
            self.graph.equation(
                f"block {block} occupied",
                known,
                f"block {block} is occupied",
                f"block {block} is clear",
            )
            self._occupied[block] = known
        return known

    def _restored(self, block: str, restorable: Literal) -> Literal:
        """Return whether a person confirms in this step that a block is empty.

        It counts where the block was declared empty in an earlier step, not
        too long ago, and has needed to be restored ever since.
        """
        graph = self.graph
        graph.equation(
            f"block {block} restorable",
            restorable,
            f"block {block} can be restored",
            f"block {block} has nothing to restore",
        )
        declares = graph.input(
            f"restore {block}",
            f"a person declares block {block} empty",
            f"nobody declares block {block} empty",
        )
        confirms = graph.input(
            f"confirm {block}",
            f"a person confirms that block {block} is empty",
            f"nobody confirms that block {block} is empty",
        )
        declared = graph.latch(
            f"block {block} declared",
            holds=f"block {block} was declared empty and waits to be confirmed",
            fails=f"nobody has declared block {block} empty of late",
        )
        within = self.layout.settings.confirm_within
        lapsed = graph.timer(
            f"declaration of {block}",
            nanoseconds(within),
            graph.all_of(declared.literal, declares ^ 1),
            holds=f"block {block} was declared empty more than {within:g} s ago",
            fails=f"block {block} was not declared empty too long ago",
        )
        # Confirmed, it ends, for nothing is to be restored any more.
        stands = graph.all_of(declared.literal, lapsed ^ 1)
        graph.set_next(declared, graph.all_of(restorable, graph.any_of(declares, stands)))
        graph.equation(
            f"block {block} confirmable",
            graph.all_of(declared.literal, restorable),
            f"block {block} can be confirmed to be empty",
            f"block {block} cannot be confirmed to be empty",
        )
        return graph.equation(
            f"block {block} restored",
            graph.all_of(confirms, declared.literal, declares ^ 1, restorable),
            f"a person restores block {block}",
            f"nobody restores block {block}",
        )

    # -- spot detectors ------------------------------------------------------------------

    def _seen_by_beams(self, block: str) -> Literal:
        """Return whether a train is between the beams of a block, or in one of them."""
        graph, ends = self.graph, self.beams[block]
        inside = graph.latch(
            f"block {block} inside",
            initial=True,
            holds=f"a train went into block {block} and was not seen to leave",
            fails=f"no train is between the beams of block {block}",
        )
        entries = {
            end: graph.latch(
                f"block {block} entered from {end}",
                holds=f"the train in block {block} came from {end}",
            )
            for end in ends
        }
        self._inside[block] = (inside, entries)
        settled = {
            end: self._settled(block, names, f"beam {block} | {end}") for end, names in ends.items()
        }
        all_settled = graph.all_of(*settled.values())
        leaves = []
        for end, names in ends.items():
            broken = graph.any_of(*(self.reported(name, "occupied") for name in names))
            known = graph.all_of(
                *(
                    graph.any_of(self.reported(name, "clear"), self.reported(name, "occupied"))
                    for name in names
                )
            )
            # Memory that a vehicle was really seen here. It is dropped when the beam's state is
            # lost, so that a link that comes back never looks like a train that left.
            passing = graph.latch(f"beam {block} | {end} broken")
            held = graph.all_of(passing.literal, settled[end] ^ 1, known)
            graph.set_next(passing, graph.any_of(broken, held))
            entry = entries[end]
            graph.set_next(
                entry,
                graph.any_of(
                    graph.all_of(broken, inside.literal ^ 1),
                    graph.all_of(entry.literal, inside.literal),
                ),
            )
            if Joint(block, end) in self.track.runs:
                came_in_elsewhere = (
                    graph.any_of(*(entries[other].literal for other in ends if other != end))
                    if Joint(end, block) in self.track.runs
                    else TRUE
                )
                leaves.append(graph.all_of(passing.literal, settled[end], came_in_elsewhere))
        restored = self._restored(block, graph.all_of(inside.literal, all_settled))
        stays = graph.all_of(inside.literal, graph.any_of(*leaves) ^ 1, restored ^ 1)
        graph.set_next(inside, graph.any_of(all_settled ^ 1, stays))
        return graph.any_of(all_settled ^ 1, inside.literal)

    # -- a train cannot vanish ------------------------------------------------------------

    def keeps_sequence(self, block: str) -> bool:
        """Return whether a train that vanishes in a block is kept account of.

        By default where the block has a section detector and no way out of the
        detected track; the file can say otherwise for a block.
        """
        if block not in self.sections or not self.track.neighbours.get(block):
            return False
        own = self.layout.blocks[block].sequence
        if own is not None:
            return own
        return self.layout.settings.sequence and block not in self.track.open_blocks

    def lost(self, block: str) -> Literal:
        """Return whether a train vanished in a block and is not accounted for."""
        if not self.keeps_sequence(block):
            return FALSE
        latch = self._lost.get(block)
        if latch is None:
            latch = self._lost[block] = self.graph.latch(
                f"block {block} lost",
                holds=f"a train vanished in block {block}",
                fails=f"no train vanished in block {block}",
            )
        return latch.literal

    def _over_joint(self, joint: Joint) -> Latch:
        """Return the memory that a train straddles a joint, having come over it this way.

        Against the direction of running this is believed only where no other
        neighbour can have been where the train came from.
        """
        latch = self._over.get(joint)
        if latch is None:
            graph = self.graph
            latch = self._over[joint] = graph.latch(
                f"over {joint}",
                initial=True,
                holds=f"a train was seen to run over the joint {joint}",
                fails=f"no train was seen to run over the joint {joint}",
            )
            gained = [self.entered(joint.ahead)]
            if joint not in self.track.runs:
                gained += [
                    self.seen(other) ^ 1
                    for other in self.track.neighbours[joint.ahead]
                    if other != joint.rear
                ]
            graph.set_next(
                latch,
                graph.all_of(
                    self.seen(joint.rear),
                    self.seen(joint.ahead),
                    graph.any_of(latch.literal, graph.all_of(*gained)),
                ),
            )
        return latch

    def vanishing(self, block: str) -> Literal:
        """Return whether a train vanishes in a block in this step.

        The block counts as occupied at once, before the memory of it is there:
        nothing may be given in between.
        """
        if self.lost(block) == FALSE:
            return FALSE
        known = self._vanishing.get(block)
        if known is not None:
            return known
        graph = self.graph
        others = self.track.neighbours[block]
        seen = self.seen(block)
        over = [
            self._over_joint(joint).literal
            for other in others
            for joint in (Joint(block, other), Joint(other, block))
        ]
        here = graph.latch(
            f"train seen in {block}",
            holds=f"a train was seen in block {block}",
            fails=f"no train was seen in block {block}",
        )
        # While the detector itself is not heard, the train may leave unseen; it is not missed
        # then if a neighbour took it over or was not heard either.
        excused = graph.all_of(
            self.unknown(block),
            graph.any_of(
                *(self.unknown(other) for other in others),
                *(self._over_joint(Joint(block, other)).literal for other in others),
            ),
        )
        graph.set_next(
            here,
            graph.any_of(self.present(block), graph.all_of(here.literal, seen, excused ^ 1)),
        )
        self._vanishing[block] = graph.equation(
            f"block {block} vanishing",
            graph.all_of(here.literal, seen ^ 1, *(literal ^ 1 for literal in over)),
            f"a train in block {block} went without a neighbour having gained it",
            f"no train goes from block {block} unaccounted for",
        )
        return self._vanishing[block]

    def finish(self, block: str) -> None:
        """Give the memory of trains that vanished in a block its equations."""
        lost = self.lost(block)
        if lost == FALSE:
            return
        graph = self.graph
        others = self.track.neighbours[block]
        found = graph.any_of(
            self.present(block),
            *(
                graph.all_of(self.entered(other), self.present(other), self.lost(other) ^ 1)
                for other in others
            ),
        )
        graph.set_next(
            self._lost[block],
            graph.any_of(
                self.vanishing(block),
                graph.all_of(lost, found ^ 1, self._restored(block, lost) ^ 1),
            ),
        )
