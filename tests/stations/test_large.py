"""A large station: its table in every form, with no more work than it has conflicts."""

from __future__ import annotations

from signalling.table.conflicts import conflicts_of, excludes
from signalling.table.matrix import conflict_matrix, conflict_pairs
from signalling.table.present import control_table
from tests.rig import table_from
from tests.stations.large import station_text


def test_a_station_has_a_route_from_every_line_to_every_track_and_back() -> None:
    table = table_from(station_text(2, 4))
    assert len(table.rows) == 4 * 2 * 4
    assert {(row.route.entry.rear, row.route.blocks[-1]) for row in table.rows} == {
        pair
        for side in "wv"
        for line in range(2)
        for track in range(4)
        for pair in ((f"{side}in{line}", f"p{track}"), (f"p{track}", f"{side}in{line}"))
    }


def test_all_routes_through_a_throat_conflict_and_the_matrix_has_them_all() -> None:
    table = table_from(station_text(2, 4))
    found = conflicts_of(table.rows)
    throat = {
        row.name: {side for side in "wv" if f"{side}l0" in row.route.blocks} for row in table.rows
    }
    for one in table.rows:
        for two in table.rows:
            if one is not two and throat[one.name] & throat[two.name]:
                assert excludes(found[one.name][two.name])
    cells = {row["route"]: row for row in conflict_matrix(table).rows}
    printed = {row["route"]: row["conflicts"] for row in control_table(table).rows}
    for name, others in found.items():
        assert printed[name] == tuple(others)
        assert {other for other in found if cells[name][other]} == set(others)
    assert len(conflict_pairs(table).rows) * 2 == sum(map(len, found.values()))
