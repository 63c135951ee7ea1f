"""People act on the alarms of a whole gateway: what cannot be is refused in words, whatever was asked for."""

import pytest

from gateway.daemon import Daemon
from gateway.resources import config_path
from gateway.settings import load_site


@pytest.mark.parametrize("action", ["shelve", "out-of-service"])
@pytest.mark.parametrize("duration", ["32 d", "36500 d", "1000000000000 d"])
async def test_what_no_calendar_has_is_too_far_ahead(action: str, duration: str) -> None:
    """timedelta ends at 999,999,999 days, datetime with the year 9999: a fault of the program would be answered."""
    gateway = Daemon(load_site(config_path("one_tank.yaml")))
    request = {
        "action": action,
        "tank": "gateway",
        "alarm": "clock_untrusted",
        "duration": duration,
        "why": "it is repaired",
    }
    answer = await gateway.acting.act(request, "kim")
    assert answer["code"] == 1
    assert "is too far ahead: give " in answer["lines"][0]
