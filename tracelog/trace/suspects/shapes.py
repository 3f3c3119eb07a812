"""What the API's answer about suspect cans looks like."""

from tracelog.web.shapes import (
    ASKED_INSTANT,
    COUNT,
    INSTANT,
    NUMBER,
    TEXT,
    YES_NO,
    Asked,
    Call,
    answers_with,
    fields,
    many,
    maybe,
    words,
)

CHANCE = {**NUMBER, "minimum": 0, "maximum": 1}
AMOUNT = {**NUMBER, "minimum": 0}
_BOUND = fields({"at": INSTANT, "basis": TEXT, "is_known": YES_NO})
_TALLY = fields(
    {
        "risk": CHANCE,
        "pallets": COUNT,
        "cans": COUNT,
        "suspect": AMOUNT,
        "missed": AMOUNT,
        "suspect_share": maybe(CHANCE),
    }
)
_PALLET = fields(
    {
        "pallet": TEXT,
        "line": COUNT,
        "started_at": INSTANT,
        "ended_at": maybe(INSTANT),
        "cans": COUNT,
        "status": maybe(TEXT),
        "is_open": YES_NO,
        "expected": AMOUNT,
        "chance_of_none": CHANCE,
        "chance_of_no_defective": CHANCE,
        "hold": YES_NO,
    }
)
_CHECK = fields(
    {
        "machine": TEXT,
        "kind": words("sample", "measurement"),
        "name": TEXT,
        "taken_at": INSTANT,
        "made_from": INSTANT,
        "made_to": INSTANT,
        "cans": COUNT,
        "bad": COUNT,
        "place": maybe(TEXT),
    }
)
_SAMPLING = fields(
    {
        "lot": COUNT,
        "aql": AMOUNT,
        "level": TEXT,
        "code_letter": maybe(TEXT),
        "size": COUNT,
        "accept": COUNT,
        "reject": COUNT,
        "accepted_95": AMOUNT,
        "accepted_10": AMOUNT,
        "seen_fraction": CHANCE,
        "seen_cans": COUNT,
        "shown": CHANCE,
        "curve": many(fields({"fraction": CHANCE, "accepted": CHANCE})),
    }
)
SUSPECTS = fields(
    {
        "machines": many(TEXT),
        "defect": maybe(TEXT),
        "last_good": _BOUND,
        "first_bad": _BOUND,
        "repaired": _BOUND,
        "made_from": INSTANT,
        "made_to": INSTANT,
        "risk": CHANCE,
        "fraction": maybe(CHANCE),
        "suspect_strokes": COUNT,
        "expected_on_pallets": AMOUNT,
        "expected_on_conveyors": AMOUNT,
        "expected_defective": maybe(AMOUNT),
        "held": _TALLY,
        "naive": fields({"pallets": COUNT, "cans": COUNT}),
        "risks": many(_TALLY),
        "pallets": many(_PALLET),
        "pallets_cut": YES_NO,
        "checks": many(_CHECK),
        "warnings": many(TEXT),
        "sampling": maybe(_SAMPLING),
    }
)
SUSPECTS_CALL = Call(
    "Since when a machine may have made cans with a defect, every pallet with the suspect cans"
    " expected on it and the chance that it holds none, and what a hold at an accepted risk costs.",
    answers_with(SUSPECTS),
    asked=(
        Asked("machine", TEXT, "the bodymaker, such as 3-7; several, with commas, if unsure"),
        Asked("defect", TEXT, "its code; may be left out with good_at"),
        Asked("bad_at", ASKED_INSTANT, "when a bad can was made; left out: the last on record"),
        Asked("good_at", ASKED_INSTANT, "last good time, instead of the record's"),
        Asked("repaired_at", ASKED_INSTANT, "when it was repaired, instead of the record's"),
        Asked("risk", TEXT, "accepted for each pallet, such as 0.01"),
        Asked("fraction", TEXT, "share of the suspect cans that is defective, such as 0.02"),
        Asked("slack", TEXT, "minutes by which the ends may be off, either way; 5 unless said"),
        Asked("aql", TEXT, "acceptance quality limit of the sampling plan in percent"),
        Asked("level", TEXT, "inspection level of the sampling plan: S-1 to S-4, I, II, III"),
        Asked("lot", TEXT, "cans to be cleared by the plan; left out: those that are held"),
        Asked("seen", TEXT, "fraction of bad cans of which to say how many cans show it"),
        Asked("as_of", ASKED_INSTANT, "only what was known by then"),
    ),
)
