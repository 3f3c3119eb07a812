"""Nearest rows of many stretches: the same with a part of them read as with all."""

import numpy as np
import pytest
from sqlalchemy.orm import Session

from tests.trace import two_lines as plant
from tests.trace.two_lines import hour
from tracelog.plant.models import Pallet
from tracelog.plant.queries import directory
from tracelog.plant.stretches import Stretch, keys_within, nearest_keys, nearest_part, sums_within

COLUMNS = (Pallet.line_id, Pallet.started_at, Pallet.pallet)
PALLETS = 120


def rows_at(session: Session, *, bunched: bool) -> None:
    plant.write_plant(session)
    chance = np.random.default_rng(8)
    for place in range(PALLETS):
        at = 40 + 0.01 * place if bunched else float(chance.uniform(0, 80))
        plant.fill_pallet(session, f"P{place}", 1 + place % 2, at, at + 0.005)


def stretches_of(session: Session) -> list[Stretch]:
    lines = sorted({one.line_id for one in directory(session).bodymakers}, key=str)
    return [Stretch(line, hour(at), hour(at + 27)) for line in lines for at in (0, 27, 54)]


@pytest.mark.parametrize("latest", [True, False])
@pytest.mark.parametrize("bunched", [True, False])
@pytest.mark.parametrize("most", [1, 4, 30, 500])
def test_a_part_gives_the_same_as_all(
    session: Session, latest: bool, bunched: bool, most: int
) -> None:
    rows_at(session, bunched=bunched)
    stretches = stretches_of(session)
    counts = [one[0] for one in sums_within(session, stretches, *COLUMNS[:2])]
    assert sum(counts) == PALLETS
    found = nearest_keys(session, stretches, counts, COLUMNS, most, latest=latest)
    assert found == keys_within(session, stretches, *COLUMNS, most, latest=latest)
    assert len(found) == min(most, PALLETS)


def test_much_is_cut_to_its_nearest_part_and_little_is_left(session: Session) -> None:
    plant.write_plant(session)
    stretches = stretches_of(session)
    assert nearest_part(stretches, 60, 10, latest=True) == stretches
    cut = nearest_part(stretches, 300, 10, latest=True)
    # A tenth of 81 hours.
    assert {(one.start, one.end) for one in cut} == {(hour(72.9), hour(81))}
    assert {(one.start, one.end) for one in nearest_part(stretches, 300, 10, latest=False)} == {
        (hour(0), hour(8.1))
    }
