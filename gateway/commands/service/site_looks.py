"""What `check` and `table check` look at, for whoever checks a site file without typing a command."""

from gateway.calculation.tables.capacity_table import CapacityTable
from gateway.commands.service.check import looked_at
from gateway.commands.surveyor.table_check import findings
from gateway.settings import TankSetup
from gateway.site_desk.checking import Findings, Looks

__all__ = ["LOOKS"]


def _of_table(table: CapacityTable, setup: TankSetup | None) -> Findings:
    found = findings(table, setup)
    return Findings(found.refused, found.odd, found.remarks)


LOOKS = Looks(looked_at, _of_table)
