"""What every alarm says and how it behaves where the site file gives nothing else: a card for the night shift.

Priority and response time by consequence and by how soon somebody has to act (ISA-18.2, IEC 62682); that an alarm has
a consequence and an action is what makes it one (EEMUA 191). Delays: 15 s for flow and pressure, 60 s for level and
temperature (EEMUA 191 as quoted publicly, from memory); a true high has none. All of it is common practice, for sites
to change; the procedures of the site and local codes come first.
"""

from typing import NamedTuple

from gateway.tank_state import AlarmKind, Priority

__all__ = ["DEFAULTS", "GATEWAY_KINDS", "NEVER_DELAYED", "TANK_KINDS", "AlarmDefaults"]

_MINUTE = 60.0
_HOUR = 3600.0
_NOW, _SOON, _LOOK = Priority.NOW, Priority.SOON, Priority.LOOK


class AlarmDefaults(NamedTuple):
    priority: Priority
    response_s: float
    consequence: str
    action: str
    on_delay_s: float = 0.0
    off_delay_s: float = 0.0


DEFAULTS: dict[AlarmKind, AlarmDefaults] = {
    AlarmKind.CRITICAL_HIGH: AlarmDefaults(
        _NOW,
        5 * _MINUTE,
        "The tank runs over, or is damaged.",
        "Stop what flows in, keep people and vehicles away, and follow the site's emergency procedure. Do not go to "
        "the tank to look.",
    ),
    AlarmKind.HIGH_HIGH: AlarmDefaults(
        _NOW,
        15 * _MINUTE,
        "The tank runs over within its response time if what flows in is not stopped.",
        "Stop the receipt by the site's procedure and tell whoever sends. Do not wait for a second reading. This is "
        "not the overfill prevention system, which must work by itself.",
    ),
    AlarmKind.MAXIMUM_WORKING: AlarmDefaults(
        _SOON,
        10 * _MINUTE,
        "The tank is as full as it is meant to be; what comes on top uses up the time to act.",
        "End the receipt or turn it to another tank by the site's procedure.",
    ),
    AlarmKind.MINIMUM: AlarmDefaults(
        _SOON,
        15 * _MINUTE,
        "Pumps draw air or water, heaters lie bare, and a floating roof comes down on its legs.",
        "Stop what is drawn from the tank, or turn it to another one.",
    ),
    AlarmKind.FILL_HIGH: AlarmDefaults(
        _NOW,
        15 * _MINUTE,
        "The liquid has too little room to expand when it warms.",
        "Stop the receipt by the site's procedure. Whether and where to draw off, the responsible person decides.",
    ),
    AlarmKind.HIGH_HIGH_SOON: AlarmDefaults(
        _SOON,
        10 * _MINUTE,
        "High-high is nearer than the time that it takes to act.",
        "Slow the receipt or stop it now, and agree the end with whoever sends.",
        on_delay_s=30.0,
        off_delay_s=60.0,
    ),
    AlarmKind.FILLING_TOO_FAST: AlarmDefaults(
        _SOON,
        10 * _MINUTE,
        "More flows in than this tank and its vents are meant for: pressure, static charge, less time than planned.",
        "Compare with what is sent, and have the flow reduced.",
        on_delay_s=15.0,
        off_delay_s=60.0,
    ),
    AlarmKind.EMPTYING_TOO_FAST: AlarmDefaults(
        _SOON,
        10 * _MINUTE,
        "More flows out than pumps and vents are meant for: vacuum, a wrong line-up, or a leak.",
        "Compare with what is drawn. Where it does not agree, stop the pumps and follow the site's procedure.",
        on_delay_s=15.0,
        off_delay_s=60.0,
    ),
    AlarmKind.TEMPERATURE_HIGH: AlarmDefaults(
        _SOON,
        30 * _MINUTE,
        "The product spoils, boils off or comes near its flash point; water under a hot product may boil over.",
        "Shut the heating, stop hot receipts, and follow the site's procedure.",
        on_delay_s=60.0,
    ),
    AlarmKind.TEMPERATURE_LOW: AlarmDefaults(
        _SOON,
        30 * _MINUTE,
        "The product thickens, sets or crystallises, and cannot be pumped.",
        "See to the heating and to lines that stand still.",
        on_delay_s=60.0,
    ),
    AlarmKind.PRESSURE_HIGH: AlarmDefaults(
        _NOW,
        10 * _MINUTE,
        "The relief valve opens, or the tank is damaged.",
        "Stop the receipt, see to cooling and to the vapour line by the site's procedure, and keep ignition away.",
        on_delay_s=15.0,
    ),
    AlarmKind.PRESSURE_LOW: AlarmDefaults(
        _SOON,
        15 * _MINUTE,
        "Air is drawn in, or the tank is sucked in.",
        "Slow what is drawn off, and see to blanketing and vents.",
        on_delay_s=15.0,
    ),
    AlarmKind.WATER_HIGH: AlarmDefaults(
        _LOOK,
        8 * _HOUR,
        "Water gets into what is delivered, and corrodes the bottom.",
        "Have it drained by the site's procedure, never without someone there.",
        on_delay_s=60.0,
    ),
    AlarmKind.DENSITY_DOUBTFUL: AlarmDefaults(
        _LOOK,
        24 * _HOUR,
        "Standard volume and mass rest on a density that nobody vouches for.",
        "Have a sample taken and enter its density, or see whether the tank still holds this product.",
        off_delay_s=60.0,
    ),
    AlarmKind.LEVEL_LOST: AlarmDefaults(
        _SOON,
        15 * _MINUTE,
        "Nothing here warns of an overfill or of a loss.",
        "While something flows in, watch the tank by other means or stop; follow the site's procedure for a gauge that "
        "is out. Then call the technician.",
        on_delay_s=60.0,
    ),
    AlarmKind.INSTRUMENT_FAILED: AlarmDefaults(
        _LOOK,
        8 * _HOUR,
        "What rests on this instrument is less certain, or missing.",
        "Call the technician, and say which instrument and what it says.",
        on_delay_s=60.0,
        off_delay_s=60.0,
    ),
    AlarmKind.DATA_STALE: AlarmDefaults(
        _LOOK,
        _HOUR,
        "What is shown is old; what happens in the tank now is not known.",
        "Look at the other tanks of the same line: where all are old, it is the line or its power. Call the "
        "technician.",
        on_delay_s=60.0,
        off_delay_s=60.0,
    ),
    AlarmKind.GAUGES_DISAGREE: AlarmDefaults(
        _LOOK,
        8 * _HOUR,
        "One of the two gauges is wrong, and nobody knows which.",
        "Go by the one that is worse for what you do, have the tank dipped by the site's procedure, and call the "
        "technician.",
        off_delay_s=60.0,
    ),
    AlarmKind.LEVEL_FROZEN: AlarmDefaults(
        _SOON,
        15 * _MINUTE,
        "The level stands still while something flows: it may be far from what is shown.",
        "Do not go by the level. Reckon by time and flow, watch the tank by other means or stop, and call the "
        "technician.",
    ),
    AlarmKind.ROOF_LANDED: AlarmDefaults(
        _SOON,
        15 * _MINUTE,
        "Vapour gathers under the roof: an explosive mixture, and a shock when it floats again.",
        "Stop what is drawn off. Follow the site's procedure for a landed roof before anything is filled in.",
    ),
    AlarmKind.ROOF_CRITICAL: AlarmDefaults(
        _LOOK,
        _HOUR,
        "The roof is partly afloat: quantities are uncertain.",
        "Gauge no transfer here. Decide whether to stop before it lands.",
    ),
    AlarmKind.UNSCHEDULED_MOVEMENT: AlarmDefaults(
        _SOON,
        15 * _MINUTE,
        "Product goes where nobody sent it: a valve that passes, a wrong line-up, a leak or a theft.",
        "Check valves and line-up of this tank and its neighbours, and go round by the site's procedure. This is no "
        "leak detection as the law may ask for.",
    ),
    AlarmKind.WRONG_WAY: AlarmDefaults(
        _SOON,
        10 * _MINUTE,
        "The level moves against what flows: the line-up is wrong, or the level is read the wrong way round.",
        "Stop if the line-up is not certain. Have the tank dipped, and call the technician.",
    ),
    AlarmKind.SLOW_LOSS: AlarmDefaults(
        _LOOK,
        24 * _HOUR,
        "The tank may lose product, too slowly to be seen as a movement.",
        "Compare with a dip and with the neighbours, and have bottom, drains and valves looked at. This is no leak "
        "detection as the law may ask for.",
    ),
    AlarmKind.LINE_LOST: AlarmDefaults(
        _SOON,
        15 * _MINUTE,
        "Nothing is known of any tank on this line.",
        "Watch those tanks by other means while anything flows. See to power and cable of the line, and call the "
        "technician.",
        on_delay_s=60.0,
        off_delay_s=60.0,
    ),
    AlarmKind.SECOND_MASTER: AlarmDefaults(
        _LOOK,
        _HOUR,
        "Two ask on one line: answers get mixed up, so that no value of its tanks is certain.",
        "Find what else asks on the line, a laptop or a control system, and have it taken off, or let one of the two "
        "have its data from the other.",
        off_delay_s=60.0,
    ),
    AlarmKind.DESTINATION_LOST: AlarmDefaults(
        _LOOK,
        8 * _HOUR,
        "Others do not see what is seen here; history waits in the ledger.",
        "Tell whoever looks after that server or network.",
        on_delay_s=60.0,
        off_delay_s=60.0,
    ),
    AlarmKind.HISTORY_AT_RISK: AlarmDefaults(
        _SOON,
        _HOUR,
        "Records are lost, or will be when the disk is full.",
        "Tell whoever looks after this machine: the disk, and the destination that history waits for.",
        on_delay_s=60.0,
        off_delay_s=60.0,
    ),
    AlarmKind.CLOCK_UNTRUSTED: AlarmDefaults(
        _LOOK,
        8 * _HOUR,
        "The times of records and the ends of entered values cannot be relied on.",
        "Have the machine's time set, and see to its time server.",
    ),
    AlarmKind.SITE_FILE_REFUSED: AlarmDefaults(
        _LOOK,
        8 * _HOUR,
        "What was changed in the site file is not in force; the gateway goes on by the old one.",
        "Run tank-gateway check, and see to what it says.",
    ),
}

GATEWAY_KINDS = (
    AlarmKind.LINE_LOST,
    AlarmKind.SECOND_MASTER,
    AlarmKind.DESTINATION_LOST,
    AlarmKind.HISTORY_AT_RISK,
    AlarmKind.CLOCK_UNTRUSTED,
    AlarmKind.SITE_FILE_REFUSED,
)
TANK_KINDS = tuple(kind for kind in AlarmKind if kind not in GATEWAY_KINDS)
NEVER_DELAYED = (
    AlarmKind.CRITICAL_HIGH,
    AlarmKind.HIGH_HIGH,
    AlarmKind.MAXIMUM_WORKING,
    AlarmKind.FILL_HIGH,
)
"""A true high is told at once."""
