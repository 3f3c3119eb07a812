from collections import Counter

import numpy as np

from seed_demo.sizes import SIZES
from seed_demo.vocabulary import CODES, LOGGED
from tests.seed_demo.written import instant, plant, rows
from tracelog.plant.dome_code import parse_dome_code

DEMO = SIZES["demo"]


def test_a_year_of_the_demo_plant_has_some_55_000_entries() -> None:
    assert 50_000 < len(rows(plant(DEMO), "defects.csv")) < 60_000


def test_between_twenty_and_thirty_defects_are_logged_and_each_of_them_occurs() -> None:
    assert 20 <= len(CODES) <= 30
    assert {row["defect"] for row in rows(plant(DEMO), "defects.csv")} == set(CODES)


def test_machines_differ_more_than_chance_alone_would_make_them() -> None:
    made = plant(DEMO)
    findings = made.findings
    own = (findings.defect == CODES.index("dome-mark")) & (findings.inspected == 0)
    counts = np.bincount(findings.machine[own], minlength=len(made.machines))
    assert counts.var() > 3 * counts.mean()
    assert min(logged.shape for logged in LOGGED) > 1


def test_codes_are_mostly_plain_some_partial_some_spelled_otherwise_some_missing() -> None:
    codes = Counter(row["dome_code"] for row in rows(plant(DEMO), "defects.csv"))
    plain = {machine.code for machine in plant(DEMO).machines}
    total = sum(codes.values())
    partial = sum(n for code, n in codes.items() if "?" in code)
    other = sum(n for code, n in codes.items() if code and "?" not in code and code not in plain)
    assert sum(codes[code] for code in plain) > 0.9 * total
    assert 0.005 < partial / total < 0.04
    assert 0.01 < other / total < 0.06
    assert 0 < codes[""] < 0.02 * total
    for code in codes:
        if code and "?" not in code:
            assert str(parse_dome_code(code)) in plain


def test_instants_of_an_entry_are_in_order_and_made_at_is_mostly_unknown() -> None:
    own = rows(plant(DEMO), "defects.csv")
    assert sum(row["made_at"] != "" for row in own) < 0.1 * len(own)
    later = 0
    for row in own:
        seen = instant(row["seen_at"])
        if row["made_at"]:
            assert instant(row["made_at"]) < seen
        if row["logged_at"]:
            assert instant(row["logged_at"]) > seen
            later += 1
    assert 0.1 < later / len(own) < 0.4


def test_a_coil_written_down_was_on_the_line_and_a_pallet_was_being_filled() -> None:
    made = plant()
    ran = {
        r["coil"]: (r["line"], r["started_at"], r["ended_at"]) for r in rows(made, "coil_runs.csv")
    }
    filled = {
        r["pallet"]: (r["line"], r["started_at"], r["ended_at"]) for r in rows(made, "pallets.csv")
    }
    coils = pallets = 0
    for row in rows(made, "defects.csv"):
        seen = instant(row["seen_at"])
        if row["coil"]:
            _, start, end = ran[row["coil"]]
            made_before = seen.timestamp() - 1600
            assert instant(start) <= seen
            assert not end or instant(end).timestamp() >= made_before
            coils += 1
        if row["pallet"]:
            line, start, end = filled[row["pallet"]]
            assert instant(start) <= seen <= instant(end)
            assert row["dome_code"][:1] in (line, "0", "?", "")
            assert row["found_at"] == "palletiser"
            pallets += 1
    assert coils > 20
    assert pallets > 20


def test_a_tear_off_is_one_happening_and_purges_many_cans() -> None:
    own = [row for row in rows(plant(DEMO), "defects.csv") if row["defect"] == "wall-tear-off"]
    cans = [int(row["cans"]) for row in own]
    assert {row["occurrences"] for row in own} == {"1"}
    assert 60 < float(np.median(cans)) < 110
    assert min(cans) >= 12


def test_every_running_machine_is_sampled_daily_for_two_defects() -> None:
    made = plant(DEMO)
    samples = [row for row in rows(made, "defects.csv") if row["inspected"]]
    assert {row["defect"] for row in samples} == {"score-outside", "dome-mark"}
    assert {row["inspected"] for row in samples} == {"200"}
    days = len(samples) / 2 / len(made.machines)
    assert 250 < days < 360
    assert any(row["cans"] == "0" for row in samples)
    assert all(int(row["cans"]) < 40 for row in samples)


def test_cans_of_the_machine_with_the_lent_doming_tool_bear_the_other_number() -> None:
    made = plant(DEMO)
    [alias] = rows(made, "dome_codes.csv")
    own = f"{alias['line']}-{alias['bodymaker']}"
    since, until = instant(alias["valid_from"]), instant(alias["valid_to"])
    codes = Counter(
        row["dome_code"]
        for row in rows(made, "defects.csv")
        if since.timestamp() + 6000 <= instant(row["seen_at"]).timestamp() <= until.timestamp()
    )
    assert codes[own] == 0
    assert codes[alias["code"]] > 20
