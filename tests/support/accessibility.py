"""What stands in the way of people who do not see, point or read as most do, by axe-core."""

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page

# The rules of WCAG 2.2, levels A and AA, as axe-core tags them.
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
# Told in lines already there: all it found of a large page takes longer to carry over than to find.
OBSTACLES = """async (rules) => {
    const runOnly = { type: "tag", values: rules };
    const results = await axe.run({ runOnly, resultTypes: ["violations"] });
    return results.violations.map(
        ({ id, help, nodes }) => `${id}: ${help}: ${nodes[0].html.slice(0, 120)}`,
    );
}"""


def obstacles(page: Page) -> list[str]:
    """One line for each rule that the page breaks: the rule, its help and the first element."""
    page.evaluate(Axe().axe_script)
    return [str(line) for line in page.evaluate(OBSTACLES, RULES)]
