"""All that answers the interface, by the name of its endpoint."""

from collections.abc import Mapping

from gateway.page_answers.acts import Acts
from gateway.page_answers.description import description
from gateway.page_answers.dips import Dips
from gateway.page_answers.evidence import Evidence
from gateway.page_answers.gateway_itself import GatewayItself
from gateway.page_answers.histories import Histories
from gateway.page_answers.outlook import Outlook
from gateway.page_answers.parts import Parts, made
from gateway.page_answers.reports import Reports
from gateway.page_answers.sheets import Sheets
from gateway.page_answers.tank import TankPages
from gateway.page_answers.trends import Trends
from gateway.web.interface.contract import Call, Handler, Made

__all__ = ["page_answers"]


async def described(_: Call) -> Made:
    return made(description())


def page_answers(parts: Parts) -> Mapping[str, Handler]:
    tanks, trends, acts = TankPages(parts), Trends(parts), Acts(parts)
    histories, reports, evidence = Histories(parts), Reports(parts), Evidence(parts)
    return {
        "tank": tanks.tank,
        "trend": trends.trend,
        "small-trends": trends.small,
        "act": acts.act,
        "entered": acts.entered,
        "sheet": Sheets(parts).sheet,
        "events": histories.events,
        "dips": Dips(parts).dips,
        "changes": histories.changes,
        "reports": reports.known,
        "report": reports.report,
        "gateway": GatewayItself(parts).gateway,
        "chain": evidence.chain,
        "alarm-times": evidence.alarm_times,
        "good-time": evidence.good_time,
        "outlook": Outlook(parts).outlook,
        "description": described,
    }
