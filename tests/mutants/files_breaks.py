"""Breaks of files of history: what stands in a row, what is there once, what an importer sees, what a disk may do."""

from tests.mutants.a_break import Break

__all__ = ["FILES_BREAKS"]

ROWS = "gateway/delivery/files/rows.py"
STATE = "gateway/delivery/files/state.py"
PART = "gateway/delivery/files/part.py"
FOLDER = "gateway/delivery/files/folder.py"
DELIVERY = "gateway/delivery/files/delivery.py"
OF_ROWS = ("tests/delivery/test_files_rows.py",)
OF_FOLDER = ("tests/delivery/test_files_folder.py",)
OF_DELIVERY = ("tests/delivery/test_files.py",)

FILES_BREAKS: tuple[Break, ...] = (
    Break("Bad number in a cell", ROWS, "if value is None or quality is _BAD else", "if value is None else", OF_ROWS),
    Break("digits left out of a cell", ROWS, "return repr(float(value))", 'return f"{value:.12g}"', OF_ROWS),
    Break("manual mark left out of a file", ROWS, "if inventory.figures[place].manual", "if False", OF_ROWS),
    Break(
        "row that is there already written again",
        STATE,
        "return mark is not None and (sequence, number) <= mark[:2] and position <= mark[2]",
        "return False",
        OF_FOLDER,
    ),
    Break("row of a fresh ledger left out", STATE, "(sequence, number) <= mark[:2] and ", "", OF_FOLDER),
    Break(
        "row told to be there before its sync",
        PART,
        "        write_all(self._descriptor, data)\n        os.fsync(self._descriptor)\n",
        "        write_all(self._descriptor, data)\n",
        OF_FOLDER,
    ),
    Break("half a row left in a file", PART, "        self.cut_back(end)\n", "", OF_FOLDER),
    Break(
        "row in a file that has lost its name",
        PART,
        "        self._is_in_place()\n        if self.length",
        "        if self.length",
        OF_FOLDER,
    ),
    Break(
        "file gets its name before that is remembered",
        FOLDER,
        "            self._save()\n            of =",
        "            of =",
        OF_FOLDER,
    ),
    Break(
        "rows remembered that are not on the disk",
        FOLDER,
        "        # What is among the marks is on the disk.\n        self._sync_all()\n",
        "",
        OF_FOLDER,
    ),
    Break(
        "rows of a failed sync believed",
        FOLDER,
        "            part.cut_back(self._synced[file])\n",
        "            pass\n",
        OF_FOLDER,
    ),
    Break("symbolic link followed", STATE, "| os.O_NOFOLLOW | os.O_NONBLOCK", "| os.O_NONBLOCK", OF_FOLDER),
    Break(
        "stop waits for a disk that hangs",
        DELIVERY,
        "done_within(self._writing[0], _LAST_WRITE_S)",
        "done_within(self._writing[0], 1e6)",
        OF_DELIVERY,
    ),
)
