"""Writes the page of published checks: `python -m tests.published`."""

from tests.published.checks_table import PAGE, page

if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8", newline="\n")
    print(f"{PAGE} is up to date")
