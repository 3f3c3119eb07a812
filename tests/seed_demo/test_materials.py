from collections import defaultdict
from itertools import pairwise

import numpy as np

from seed_demo.measurements import CHARACTERISTICS
from tests.seed_demo.written import instant, plant, rows


def test_coils_follow_each_other_on_every_line_and_take_some_hours() -> None:
    made = plant()
    lines = defaultdict(list)
    for row in rows(made, "coil_runs.csv"):
        lines[row["line"]].append(row)
    assert len(lines) == made.size.lines
    for own in lines.values():
        assert all(earlier["ended_at"] == later["started_at"] for earlier, later in pairwise(own))
        assert own[-1]["ended_at"] == ""
        hours = [
            (instant(row["ended_at"]) - instant(row["started_at"])).total_seconds() / 3600
            for row in own[:-1]
        ]
        assert 4.0 < float(np.median(hours)) < 7.0


def test_a_coil_runs_once() -> None:
    coils = [row["coil"] for row in rows(plant(), "coil_runs.csv")]
    assert len(set(coils)) == len(coils)


def test_pallets_are_filled_one_after_another_in_the_last_days_only() -> None:
    made = plant()
    lines = defaultdict(list)
    for row in rows(made, "pallets.csv"):
        lines[row["line"]].append(row)
    end = made.clock.utc(made.clock.seconds)
    for own in lines.values():
        times = [(instant(row["started_at"]), instant(row["ended_at"])) for row in own]
        assert all(start <= stop for start, stop in times)
        assert all(earlier[1] <= later[0] for earlier, later in pairwise(times))
        assert (end - times[0][0]).total_seconds() <= (made.size.pallet_days + 0.5) * 86_400
        assert sum(row["cans"] == "8169" for row in own) > 0.97 * len(own)
        assert sum(row["status"] == "released" for row in own) > 0.9 * len(own)


def test_cans_on_pallets_are_the_strokes_of_the_line_less_some_spoilage() -> None:
    made = plant()
    first = made.clock.seconds - (made.size.pallet_days - 1) * 86_400
    for line in range(1, made.size.lines + 1):
        machines = [n for n, m in enumerate(made.machines) if m.line == line]
        window = np.array([first, made.clock.seconds])
        strokes = sum(float(np.diff(made.running.made(n, window))[0]) for n in machines)
        cans = sum(
            int(row["cans"])
            for row in rows(made, "pallets.csv")
            if row["line"] == str(line)
            and (instant(row["ended_at"]) - made.clock.start_at).total_seconds() > first
        )
        assert 0.95 < cans / strokes < 1.01


def test_a_pallet_number_ends_in_its_check_digit() -> None:
    for row in rows(plant(), "pallets.csv")[:50]:
        digits = [int(digit) for digit in row["pallet"]]
        assert len(digits) == 18
        # Weights 3 and 1 in turn from the left over 17 digits; the sum with the last is round.
        weighted = sum(d * (3, 1)[n % 2] for n, d in enumerate(digits[:17])) + digits[17]
        assert weighted % 10 == 0


def test_measurements_are_taken_in_subgroups_close_to_their_usual_value() -> None:
    made = plant()
    groups = defaultdict(list)
    for row in rows(made, "measurements.csv"):
        key = (row["line"], row["bodymaker"], row["characteristic"], row["subgroup"])
        groups[key].append(float(row["value"]))
    assert {len(values) for values in groups.values()} == {3}
    for what in CHARACTERISTICS:
        values = np.concatenate([v for key, v in groups.items() if key[2] == what.characteristic])
        assert abs(values.mean() - what.mean) < 3 * what.between
