"""What stands in the way of people who do not see, point or read as most do, by axe-core."""

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page

# The rules of WCAG 2.2, levels A and AA, as axe-core tags them.
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]


def obstacles(page: Page) -> list[str]:
    """One line for each rule that the page breaks: the rule, its help and the first element."""
    results = Axe().run(page, options={"runOnly": {"type": "tag", "values": RULES}})
    return [
        f"{broken['id']}: {broken['help']}: {broken['nodes'][0]['html'][:120]}"
        for broken in results.response["violations"]
    ]
