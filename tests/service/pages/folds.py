"""What is folded on a telephone, opened as a person would."""

from __future__ import annotations

from playwright.sync_api import Page, expect


def unfold(page: Page) -> None:
    """Open by a press whatever is folded because the screen is small; on a desk with scripts it is open."""
    page.wait_for_load_state()
    folded = page.locator("details.tucked:not([open]) > summary")
    while (left := folded.count()) > 0:
        folded.first.click()
        expect(folded).to_have_count(left - 1)
