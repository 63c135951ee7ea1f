"""Breaks of which product a tank holds."""

from tests.mutants.a_break import Break

__all__ = ["PRODUCT_BREAKS"]

HELD = "gateway/actions/held_product.py"
PRODUCTS = "gateway/actions/products.py"
OTHER = "gateway/settings/tanks/other_product.py"
BY_DESK = ("tests/actions/test_products.py",)
BY_FILE = ("tests/settings/test_other_product.py",)
FROM_OUTSIDE = ("tests/processes/test_product_change.py",)

PRODUCT_BREAKS: tuple[Break, ...] = (
    Break(
        "the site file tells again what a tank holds",
        PRODUCTS,
        "        since = held.since if held.is_change else None\n",
        "        if not held.is_change:\n            return setup\n        since = held.since\n",
        BY_DESK,
    ),
    Break(
        "a tank whose product is not known is calculated as another",
        PRODUCTS,
        "        return _of_no_product(setup, held, self._troubles[tank])\n",
        "        return setup\n",
        BY_DESK,
    ),
    Break(
        "what a tank holds of which nothing is known has quantities",
        "gateway/calculation/methods/not_known.py",
        '        raise LimitError("temperature", temperature_c, "degC", f"of no use: {self.why}", "no method")\n',
        "        return Corrected(1.0, 1.0, 800.0)\n",
        ("tests/test_another_product.py",),
    ),
    Break(
        "a change to come is told again and again",
        PRODUCTS,
        "                after = each._replace(word=Word.CHANGED)\n",
        "                after = each\n",
        BY_DESK,
    ),
    Break(
        "a clock that is set back brings the product before back",
        HELD,
        "if each.word is not Word.PLANNED or each.since <= now), None)",
        "if each.since <= now), None)",
        BY_DESK,
    ),
    Break(
        "the word of the site file stands over a change of before it",
        HELD,
        "    if begun is None or (changes and changes[0].since <= begun.since):\n        return tuple(changes)\n",
        "    if begun is not None:\n        return tuple(sorted([begun, *changes], key=lambda each: each.since))\n",
        ("tests/actions/test_held_product.py",),
    ),
    Break(
        "a change that was withdrawn still counts",
        HELD,
        "        return self.word in (Word.PLANNED, Word.CHANGED)\n",
        "        return self.word is not Word.BEGUN\n",
        BY_DESK,
    ),
    Break(
        "a sample of the other product holds",
        OTHER,
        "            if is_other or (",
        "            if (",
        BY_FILE,
    ),
    Break(
        "a sample of the filling before holds",
        OTHER,
        "return bool(text) and read_instant(text) < since",
        "return False",
        BY_FILE,
    ),
    Break(
        "an entry of the filling before holds",
        PRODUCTS,
        "entry.at >= min(held.entered, held.since)",
        "entry.at",
        BY_DESK,
    ),
    Break(
        "a product without a density is taken without one",
        PRODUCTS,
        "since=since, density=block)",
        "since=since, density=block, density_elsewhere=True)",
        BY_DESK,
    ),
    Break(
        "the density of a change comes after its first sheet",
        "gateway/acting.py",
        "        await self._hold(held, entries)\n",
        "        await self._hold(held)\n        await self._hold((), entries)\n",
        BY_DESK,
    ),
    Break(
        "a change of product costs the alarms",
        "gateway/pipeline.py",
        "tank = self._changed(before, before.refitted(plan, binding, watch, self._clock.monotonic_ns()), ())",
        "tank = before.refitted(plan, binding, watch, self._clock.monotonic_ns())",
        ("tests/test_another_product.py",),
    ),
    Break(
        "a ledger that cannot be read leaves no doubt",
        "gateway/entry_papers.py",
        '        return _UNREAD if is_unread else ""\n',
        '        return ""\n',
        BY_DESK,
    ),
    Break(
        "a product that is doubted is Good",
        "gateway/calculation/methods/not_known.py",
        "found._replace(doubt=self.doubt)",
        "found",
        ("tests/test_another_product.py",),
    ),
    Break(
        "a reload takes away what a tank holds",
        "gateway/daemon.py",
        "        self.acting.refuse(settings)\n",
        "",
        FROM_OUTSIDE,
    ),
    Break(
        "papers of products are not read at a start",
        "gateway/ledger/papers.py",
        "_READ_HERE = (ENTRY, PRODUCT, REQUEST)\n",
        "_READ_HERE = (ENTRY, REQUEST)\n",
        BY_DESK,
    ),
)
