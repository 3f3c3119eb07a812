"""What the API's answers about planned periods look like."""

from tracelog.web.shapes import COUNT, ID, INSTANT, TEXT, fields, many, maybe, words

KINDS = words("stop", "no service")
PERIODS = fields(
    {
        "from": INSTANT,
        "to": INSTANT,
        "as_of": maybe(INSTANT),
        "periods": many(
            fields(
                {
                    "id": ID,
                    "kind": KINDS,
                    "line": maybe(COUNT),
                    "bodymaker": maybe(COUNT),
                    "starts_at": INSTANT,
                    "ends_at": INSTANT,
                    "reason": maybe(TEXT),
                    "announced_at": maybe(INSTANT),
                    "withdrawn_at": maybe(INSTANT),
                    "uid": maybe(TEXT),
                }
            )
        ),
    }
)
