"""Breaks of the accounts' transfers: openings and closings, amounts, doubts, what nobody saw, tickets and numbers."""

from tests.mutants.a_break import Break

__all__ = ["ACCOUNT_BREAKS"]

BOOK = "gateway/account/transfers/book.py"
CLOSING = "gateway/account/transfers/closing.py"
DOUBTS = "gateway/account/transfers/doubts.py"
FITS = "gateway/account/transfers/fits.py"
FOLLOW = "gateway/account/transfers/follow.py"
GAPS = "gateway/account/transfers/gaps.py"
HAPPENINGS = "gateway/account/transfers/happenings.py"
MOVED = "gateway/account/transfers/moved.py"
OPENINGS = "gateway/account/transfers/openings.py"
PHASES = "gateway/account/transfers/phases.py"
PROGRESS = "gateway/account/transfers/progress.py"
PROPOSALS = "gateway/account/transfers/proposals.py"
RESTART = "gateway/account/transfers/restart.py"
SEEN = "gateway/account/transfers/seen.py"
STARTS = "gateway/account/transfers/starts.py"
TICKETS = "gateway/account/transfers/tickets.py"
STORIES = ("tests/account/test_transfers.py",)
MACHINE = ("tests/account/test_transfer_machine.py",)
LOST = ("tests/account/test_nothing_lost.py",)
PUBLISHED = ("tests/account/test_measurement_ticket.py",)
PHASE = ("tests/account/test_transfer_phases.py",)
AHEAD = ("tests/account/test_transfer_progress.py",)

ACCOUNT_BREAKS: tuple[Break, ...] = (
    Break(
        "an amount with its sign turned",
        MOVED,
        "sign * (after.value - before.value)",
        "after.value - before.value",
        STORIES,
    ),
    Break(
        "a Bad figure counted as nothing",
        MOVED,
        "    if before.value is None or after.value is None or quality is Quality.BAD:\n",
        "    if False:\n",
        STORIES,
    ),
    Break(
        "an amount better than its sheets",
        MOVED,
        "quality = max(before.quality, after.quality)",
        "quality = Quality.GOOD if before.value else before.quality",
        STORIES,
    ),
    Break(
        "both ends of a transfer from tank to tank added up",
        MOVED,
        "counted = [side for side in sides if kind is not TransferKind.TANK_TO_TANK or",
        "counted = [side for side in sides if True or",
        STORIES,
    ),
    Break(
        "another density taken for a movement of mass",
        MOVED,
        "    if density is not None:\n        found.append",
        "    if False:\n        found.append",
        STORIES,
    ),
    Break(
        "the amount of one product told of two",
        MOVED,
        "if opening.product != closing.product and name not in _OF_VOLUME:",
        "if False:",
        STORIES,
    ),
    Break(
        "uncertainties added up without squares",
        MOVED,
        "sqrt(sum(each[name] ** 2 for each in counted))",
        "sum(each[name] for each in counted)",
        PUBLISHED,
    ),
    Break(
        "an opening from after the flow began",
        SEEN,
        "is_old = self.newer is not None and heard_s - self.newer_s >= apart_s",
        "is_old = self.newer is not None",
        STORIES,
    ),
    Break(
        "an opening from before a movement that has its ticket",
        BOOK,
        "side.tank == since.tank and _is_after(",
        "False and _is_after(",
        MACHINE,
    ),
    Break(
        "sheets of two boots put in order by the clock",
        BOOK,
        "    return one.boot == boot\n",
        "    return one.instant > other.instant\n",
        MACHINE,
    ),
    Break(
        "a flow not noticed yet taken for one that is over",
        FOLLOW,
        "    if seen.moved_s is None and transfer.began is not None and record.state.since <= transfer.began:\n",
        "    if False:\n",
        PUBLISHED,
    ),
    Break(
        "a transfer over at the first pause",
        FOLLOW,
        "    return moved and _enough(transfer, sheets)\n",
        "    return moved\n",
        STORIES,
    ),
    Break(
        "a flow that begins again not noticed",
        FOLLOW,
        "TransferPhase.SETTLING and _flows_again(transfer, record):",
        "TransferPhase.SETTLING and False:",
        STORIES,
    ),
    Break(
        "a ticket from a tank that has not settled",
        DOUBTS,
        "    return max(0.0, plan.settling_s - rested_s)\n",
        "    return 0.0\n",
        STORIES,
    ),
    Break(
        "a closing sheet of a flow that the watch has not heard of",
        DOUBTS,
        "    if is_unheard and transfer.ended is not None:\n",
        "    if False:\n",
        STORIES,
    ),
    Break(
        "a closing sheet while the level is not where it was",
        DOUBTS,
        "    if kept is not None and abs(apart_m(gauging_of(kept), record)) > FLOWS_M:\n",
        "    if False:\n",
        STORIES,
    ),
    Break(
        "a ticket while the clock is not trusted",
        DOUBTS,
        "    if closing.clock_doubt is not None:\n",
        "    if False:\n",
        STORIES,
    ),
    Break(
        "a ticket from a roof in its critical zone",
        DOUBTS,
        "    if closing.roof is RoofZone.CRITICAL:\n",
        "    if False:\n",
        STORIES,
    ),
    Break(
        "a ticket from a roof that was in its critical zone",
        DOUBTS,
        "        if opening.roof is RoofZone.CRITICAL:\n",
        "        if False:\n",
        STORIES,
    ),
    Break(
        "a ticket by itself from a Bad sheet",
        DOUBTS,
        "    if closing.quality is Quality.BAD:\n",
        "    if False:\n",
        STORIES,
    ),
    Break(
        "a ticket of simulated values on a real site", DOUBTS, "simulated and not plan.simulated)", "False)", STORIES
    ),
    Break(
        "a ticket from a level that went the wrong way",
        DOUBTS,
        "if mark.kind is MarkKind.WRONG_WAY]",
        "if False]",
        STORIES,
    ),
    Break(
        "a gap that nothing bears out told Good",
        DOUBTS,
        "        if gap.is_borne_out is not True:\n",
        "        if False:\n",
        STORIES,
    ),
    Break(
        "an overruled doubt forgotten",
        CLOSING,
        "    doubts = tuple(dict.fromkeys((*doubts, *taints(transfer, closings))))\n",
        "    doubts = ()\n",
        STORIES,
    ),
    Break(
        "a doubt overruled without a reason",
        CLOSING,
        "    if doubts and not why.strip():\n",
        "    if False:\n",
        STORIES,
    ),
    Break("a number left out", CLOSING, "draft.book.last_ticket + 1", "draft.book.last_ticket + 2", MACHINE),
    Break(
        "any way borne out",
        GAPS,
        "    return min(ways) - spare_m <= level_m - gap.level_m <= max(ways) + spare_m\n",
        "    return True\n",
        STORIES,
    ),
    Break(
        "a restart without a mark",
        RESTART,
        "            after = gap_begun(after, gap, now, text)\n",
        "            pass\n",
        STORIES,
    ),
    Break(
        "what was at rest before a restart forgotten",
        RESTART,
        "                seen.newer, seen.newer_s = each, _EVER_S\n",
        "                pass\n",
        STORIES,
    ),
    Break("a clock that is set not told", HAPPENINGS, "abs(told_s - passed_s) > _CLOCK_S", "False", STORIES),
    Break(
        "another product that ends nothing",
        HAPPENINGS,
        "    if side is None or side.opening is None or record.inventory.product == side.opening.product:\n",
        "    if True:\n",
        STORIES,
    ),
    Break(
        "the wrong way not told after the clock was set",
        HAPPENINGS,
        "    return is_new or (side.opening is not None and sign * apart_m(side.opening, record) >= _AGAINST_M)\n",
        "    return is_new\n",
        STORIES,
    ),
    Break("warming proposed as a transfer", PROPOSALS, "state.activity in _NO_FLOW or ", "", STORIES),
    Break(
        "a jump proposed as a transfer",
        PROPOSALS,
        " or tank in book.open_at or is_doubted(record):",
        " or tank in book.open_at:",
        STORIES,
    ),
    Break(
        "what was cancelled proposed again",
        PROPOSALS,
        "    if dismissed is not None and dismissed.motion is state.motion:\n",
        "    if False:\n",
        STORIES,
    ),
    Break("what moved unseen lost", PROPOSALS, "not has_gone(base, record, _NOTICED_M)", "True", LOST),
    Break(
        "sun over an outage taken for a receipt",
        OPENINGS,
        "    return abs(gsv - standard) >= _MOVED_PART * abs(tov - before)\n",
        "    return True\n",
        STORIES,
    ),
    Break("a busy tank begun a second time", STARTS, "    if other is not None:\n", "    if False:\n", STORIES),
    Break(
        "what left as one of two proposals counted again",
        STARTS,
        "sides.append(side._replace(opening=found.opening, closing=found.closing))",
        "sides.append(side._replace(opening=gauging_of(record)))",
        STORIES,
    ),
    Break("room for a transfer rounded up", FITS, "floor(value_m3):,", "ceil(value_m3):,", STORIES),
    Break(
        "a planned standard volume held against observed room",
        FITS,
        '        return amount / (ctl * (gauging.value("cpl") or 1.0))\n',
        "        return amount\n",
        STORIES,
    ),
    Break(
        "a closed transfer that can be changed",
        PHASES,
        "    (_SETTLING, Deed.CANCEL): _CANCELLED,\n",
        "    (_SETTLING, Deed.CANCEL): _CANCELLED,\n    (_CLOSED, Deed.CHANGE): _CLOSED,\n",
        PHASE,
    ),
    Break(
        "a finish told of a tank at rest",
        PROGRESS,
        "    if record.state.motion is not moves:\n",
        "    if False:\n",
        AHEAD,
    ),
    Break("a finish in twelve years", PROGRESS, " or missing_m3 / rate.value > _LONGEST_S:", ":", AHEAD),
    Break("a ticket taken back twice", TICKETS, "    if taken is not None:\n", "    if False:\n", STORIES),
    Break(
        "a ticket taken back without a reason", TICKETS, "    if not command.why.strip():\n", "    if False:\n", STORIES
    ),
    Break(
        "a receipt that was a dispatch with its old sign",
        TICKETS,
        "figure._replace(value=-figure.value)",
        "figure",
        STORIES,
    ),
)
