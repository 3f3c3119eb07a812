"""The clock that the application reads in tests: it stands until a test moves it."""

from datetime import datetime, timedelta


class Clock:
    """What the application takes for the present instant, UTC.

    Only the application reads it: cookies and the browser go by the machine's own clock.
    """

    def __init__(self, instant: datetime) -> None:
        self.instant = instant

    def now(self) -> datetime:
        """The present instant, UTC."""
        return self.instant

    def forward(self, by: timedelta) -> datetime:
        """Let time pass; returns the new present instant."""
        self.instant += by
        return self.instant
