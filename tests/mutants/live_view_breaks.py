"""Breaks of the live view: what a page would draw wrongly, or miss, or never see again."""

from tests.mutants.a_break import Break

__all__ = ["LIVE_VIEW_BREAKS"]

VIEW = "gateway/payload/page_view.py"
TOTALS = "gateway/totals.py"
DOCUMENT = "gateway/web/stream/document.py"
FEED = "gateway/web/stream/feed.py"
RING = "gateway/web/stream/ring.py"
VIEWER = "gateway/web/stream/viewer.py"
ROUTES = "gateway/web/stream/routes.py"
CONNECTIONS = "gateway/web/connections.py"
ASSETS = "gateway/web/assets.py"
SERVER = "gateway/web/server.py"
TOLD = ("tests/payload/test_page_view.py",)
FED = ("tests/web/stream/test_feed.py",)
RINGED = ("tests/web/stream/test_ring.py",)
LIVE = ("tests/web/stream/test_live.py",)
FILES = ("tests/web/test_assets.py",)

LIVE_VIEW_BREAKS: tuple[Break, ...] = (
    Break(
        "the value of a Bad figure goes to the page",
        VIEW,
        '    if quality == 2:\n        told["v"] = None\n',
        '    if quality == 2:\n        told["v"] = value\n',
        TOLD,
    ),
    Break(
        "a Good figure of the page is a zero where nothing was detected",
        VIEW,
        '            told["none"] = "none_detected"',
        '            told["v"] = 0.0',
        TOLD,
    ),
    Break(
        "a total counts Bad as a zero",
        TOTALS,
        "            tanks += 1\n        elif",
        "            pass\n        elif",
        TOLD,
    ),
    Break("an Uncertain total looks sure", TOTALS, "is_estimated or quality == 1", "is_estimated", TOLD),
    Break(
        "a doubtful reason is told of another figure",
        VIEW,
        "reason_document(reasons[0])",
        "reason_document(reasons[-1])",
        TOLD,
    ),
    Break("totals stay as they were", DOCUMENT, "self._has_old_totals or bool(news)", "self._has_old_totals", FED),
    Break(
        "what a total includes is told a second late",
        DOCUMENT,
        "_counted(before.holding) != _counted",
        "() == _counted",
        FED,
    ),
    Break(
        "the sum that a total came to is never told",
        DOCUMENT,
        "self._has_old_totals = is_old",
        "self._has_old_totals = False",
        FED,
    ),
    Break("an event without anything in it ends the stream", VIEWER, "if not text or (", "if (", LIVE),
    Break("who keeps up may look for ever", VIEWER, ">= _LOOKED_AT_EACH_S", "< 0.0", LIVE),
    Break("a browser gets what is no chunk", CONNECTIONS, 'b"%x\\r\\n%b\\r\\n" % (len(data), data)', "data", LIVE),
    Break("a row is not remembered", DOCUMENT, "        self.rows = after\n", "", FED),
    Break("a sheet that comes meanwhile is forgotten", FEED, "self._changed = changed | self._changed", "pass", FED),
    Break(
        "a change is told twice", RING, "len(self._changes) - missed :]", "len(self._changes) - missed - 1 :]", RINGED
    ),
    Break(
        "who missed more than is kept is told a part",
        RING,
        "if not 0 <= missed <= len(self._changes):",
        "if not 0 <= missed:",
        RINGED,
    ),
    Break("a reload is told as a change", FEED, "        self._ring.begin_anew()\n", "", FED),
    Break("after a restart the site of before is shown", FEED, "if boot == self._source.boot and", "if boot and", FED),
    Break(
        "a view that another asks for wakes nobody",
        FEED,
        "self._woken_for, self._told_at_s = self._ring.number, now_s",
        "self._told_at_s = now_s\n            self._woken_for = self._ring.number + 1",
        LIVE,
    ),
    Break("no pulse of the live view", FEED, "            self._pulse += 1\n", "            pass\n", LIVE),
    Break(
        "a stop leaves viewers to themselves",
        SERVER,
        "                    part.end()\n",
        "                    pass\n",
        LIVE,
    ),
    Break(
        "whoever looks gives way to whoever comes",
        CONNECTIONS,
        "each.age_s > _PROTECTED_S and not each.is_streaming]",
        "each.age_s > _PROTECTED_S]",
        LIVE,
    ),
    Break(
        "whoever looks takes the place of what the same one asks for",
        CONNECTIONS,
        "each.peer == newcomer.peer and not each.is_streaming]",
        "each.peer == newcomer.peer]",
        LIVE,
    ),
    Break(
        "what is packed depends on what came before",
        "gateway/web/stream/parcel.py",
        "packer.flush(zlib.Z_SYNC_FLUSH)",
        "packer.flush(zlib.Z_FINISH)",
        ("tests/web/stream/test_parcel.py",),
    ),
    Break(
        "a viewer may take as long as an answer",
        CONNECTIONS,
        "            self._arm_stream()\n        return refusal",
        "            pass\n        return refusal",
        LIVE,
    ),
    Break(
        "who takes nothing stays", CONNECTIONS, "elif self.age_s > _TAKES_NOTHING_S:", "elif self.age_s < 0.0:", LIVE
    ),
    Break(
        "as many viewers as like",
        ROUTES,
        '"the gateway is being stopped" if self._has_ended else stream.begin()',
        'stream.begin() and ""',
        LIVE,
    ),
    Break(
        "more waits for who takes nothing",
        CONNECTIONS,
        "    transport.set_write_buffer_limits(high=_UNSENT)\n",
        "",
        LIVE,
    ),
    Break(
        "a packed stream has no end",
        VIEWER,
        'last = b"" if self._packer is None else self._packer.end()',
        'last = b""',
        LIVE,
    ),
    Break("what was packed last is not sent", VIEWER, '"body": self._left + last', '"body": last', LIVE),
    Break(
        "who sends more than is taken looks for ever",
        VIEWER,
        "            self._over.set()\n            self._place.wake.set()\n",
        "            pass\n",
        LIVE,
    ),
    Break(
        "a site that cannot be told yet takes away the one that was",
        FEED,
        "        document = LiveDocument()\n",
        "        document = self._document = LiveDocument()\n",
        FED,
    ),
    Break(
        "a viewer that fails keeps the others from being told",
        FEED,
        "except Exception as error:  # noqa: BLE001 - one viewer",
        "except KeyError as error:  # one viewer",
        FED,
    ),
    Break("a file through a link", ASSETS, "if linked or not path.is_file()", "if not path.is_file()", FILES),
    Break(
        "an old page is not asked for again",
        ASSETS,
        '"Cache-Control": "no-cache"',
        '"Cache-Control": "max-age=3600"',
        FILES,
    ),
    Break(
        "a page that is another is taken for the same",
        ASSETS,
        "hashlib.sha256(content)",
        "hashlib.sha256(suffix.encode())",
        FILES,
    ),
)
