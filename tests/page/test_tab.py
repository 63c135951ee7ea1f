"""What a tab holds does not grow with what is done in it: a page on a wall stands for months."""

import re

from tests.page.reading import Page
from tests.page.site_process import DemoSite
from tests.page.test_for_everyone import PLACES, settled

_READERS = """
const live = await import("/page/code/live.js");
let count = 0;
for (const name of Object.keys(live)) if (live[name]?.readers) count += live[name].readers.size;
for (const tag of live.tags.value) count += live.row(tag).readers.size;
return count;
"""


def _held(page: Page) -> tuple[float, float, int]:
    """(nodes, listeners, readers of what is live), garbage removed."""
    page.cdp("HeapProfiler.collectGarbage")
    told = {each["name"]: each["value"] for each in page.cdp("Performance.getMetrics")["metrics"]}
    return told["Nodes"], told["JSEventListeners"], int(page.promise(_READERS))


def test_walking_through_the_views_leaves_nothing_behind(page: Page, site: DemoSite) -> None:
    page.open()
    page.says(re.compile("live, heard"))
    page.cdp("Performance.enable")
    after = []
    for _ in range(4):
        for place in PLACES:
            settled(page, place)
        settled(page, "#/")
        after.append(_held(page))
    # The first walk loads views and fills caches of formats; then each walk costs nothing that stays.
    second, last = after[1], after[-1]
    assert last[2] <= second[2], after
    # Alarms come and go meanwhile: what grows with each walk would grow by all nodes of a view.
    assert last[0] <= second[0] + 600, after
    assert last[1] <= second[1] + 60, after
