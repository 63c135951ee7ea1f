"""`make picture`: the picture at the head of the README, of the demo's overview as its first user sees it.

Made on purpose only: it is kept in git, and each new one would stay there for good. It waits until the demo's day has
brought something: an element that broke, a gauge that fell silent, tanks that move.
"""

import io
import struct
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

from PIL import Image

from tests.page.browser import Browser
from tests.page.reading import Look, Page
from tests.page.site_process import DemoSite

__all__ = ["LARGEST_BYTES", "PICTURE", "WIDTH", "main", "size_of"]

PICTURE = Path(__file__).parents[2] / "deploy" / "overview.png"
WIDTH, HEIGHT = 1280, 900
LARGEST_BYTES = 200_000
_COLOURS = 128
_UNTIL_SOMETHING_HAPPENED_S = 345.0


def size_of(png: bytes) -> tuple[int, int]:
    """Width and height by its header (ISO/IEC 15948, section 11.2.2)."""
    assert png[:8] == b"\x89PNG\r\n\x1a\n", "it is no PNG"
    width, height = struct.unpack(">II", png[16:24])
    return width, height


def _packed(png: bytes) -> bytes:
    """The same in 128 colours, which is more than it has but for the edges of letters."""
    packed = io.BytesIO()
    Image.open(io.BytesIO(png)).convert("RGB").quantize(_COLOURS, dither=Image.Dither.NONE).save(
        packed, "PNG", optimize=True
    )
    return packed.getvalue()


def main() -> int:
    sys.stdout.write(f"The demo runs for {_UNTIL_SOMETHING_HAPPENED_S / 60:.0f} minutes first ...\n")
    with TemporaryDirectory() as folder, DemoSite(Path(folder)) as site, Browser() as browser:
        page = Page(browser, browser.new_context(), site.address, Look(width=WIDTH, height=HEIGHT, time_zone="UTC"))
        page.open()
        time.sleep(_UNTIL_SOMETHING_HAPPENED_S)
        page.says("no level", within=60.0)
        page.says("live, heard")
        png = _packed(page.picture())
    if len(png) > LARGEST_BYTES:
        sys.stderr.write(f"it takes {len(png)} bytes, more than {LARGEST_BYTES}: nothing is written\n")
        return 1
    PICTURE.write_bytes(png)
    width, height = size_of(png)
    sys.stdout.write(f"{PICTURE}: {len(png) / 1000:.0f} kB, {width} x {height}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
