"""The ways in which the program is broken on purpose: each is one that would put a wrong number before somebody."""

from typing import NamedTuple

__all__ = ["BREAKS", "Break"]


class Break(NamedTuple):
    name: str
    file: str
    old: str
    """Stands in the file exactly once."""
    new: str
    tests: tuple[str, ...]
    """Where at least one test must turn red."""


CALCULATION = ("tests/calculation",)

BREAKS = (
    Break(
        "wrong constant in API MPMS 11.1, refined products",
        "gateway/calculation/petroleum.py",
        "330.3010",
        "330.3100",
        ("tests/calculation/test_petroleum.py",),
    ),
    Break(
        "temperature scale of 1968 left out",
        "gateway/calculation/petroleum.py",
        "return 1.8 * ipts68_from_its90(temperature_c) + 32.0",
        "return 1.8 * temperature_c + 32.0",
        ("tests/calculation/test_petroleum.py",),
    ),
    Break(
        "dry element averaged",
        "gateway/calculation/temperature.py",
        "        if not wet[index]:\n            continue\n",
        "",
        CALCULATION,
    ),
    Break(
        "element in free water averaged",
        "gateway/calculation/temperature.py",
        "if water_m is not None and plan.elements[index].height_m <= water_m:",
        "if water_m is not None and plan.elements[index].height_m < 0.0:",
        CALCULATION,
    ),
    Break(
        "no hysteresis at the surface",
        "gateway/calculation/temperature.py",
        "level_m >= (leaves if was else enters)",
        "level_m >= (enters if was else enters)",
        CALCULATION,
    ),
    Break(
        "ullage taken for innage",
        "gateway/calculation/level.py",
        "level = reference_height_m - given.value + plan.offset_m",
        "level = given.value + plan.offset_m",
        CALCULATION,
    ),
    Break(
        "free water not taken off",
        "gateway/calculation/quantities.py",
        " - (water.value or 0.0)",
        "",
        CALCULATION,
    ),
    Break(
        "roof added instead of taken off",
        "gateway/calculation/floating_roof.py",
        "return -mass_kg / observed_density_kg_m3",
        "return mass_kg / observed_density_kg_m3",
        ("tests/calculation/test_floating_roof.py",),
    ),
    Break(
        "mass from GSV and the density at tank temperature",
        "gateway/calculation/quantities.py",
        "mass = _product(gsv, rho_ref)",
        "mass = _product(gsv, rho_obs)",
        CALCULATION,
    ),
    Break(
        "Bad figure given as zero",
        "gateway/calculation/figure.py",
        "return Figure(None, _BAD, (Reason(code, text),), age_s)",
        "return Figure(0.0, _BAD, (Reason(code, text),), age_s)",
        CALCULATION,
    ),
    Break(
        "Bad value sent as zero",
        "gateway/delivery/payload.py",
        "        if quality == 2:\n            value = None\n        # ",
        "        if quality == 2:\n            value = 0.0\n        # ",
        ("tests/delivery/test_payload.py",),
    ),
    Break(
        "Bad reading decoded as zero",
        "gateway/acquisition/decode.py",
        "return Decoded(None, Quality.BAD, Reason(code, text))",
        "return Decoded(0.0, Quality.BAD, Reason(code, text))",
        ("tests/acquisition/test_decode.py",),
    ),
    Break(
        "words swapped",
        "gateway/acquisition/decode.py",
        'ByteOrder.CDAB: ("<", "<"),',
        'ByteOrder.CDAB: (">", ">"),',
        ("tests/acquisition/test_decode.py",),
    ),
    Break(
        "failed current loop read as a level",
        "gateway/acquisition/decode.py",
        "if current <= _FAILED_LOW_MA or current >= _FAILED_HIGH_MA:",
        "if current < 0.0:",
        ("tests/acquisition/test_decode.py",),
    ),
    Break(
        "sentinel read as a value",
        "gateway/acquisition/decode.py",
        "    for number in signal.sentinels:\n",
        "    for number in signal.sentinels[:0]:\n",
        ("tests/acquisition/test_decode.py",),
    ),
    Break(
        "another unit's answer accepted",
        "gateway/acquisition/modbus_tcp.py",
        "if unit != waiter.unit:",
        "if unit < 0:",
        ("tests/acquisition",),
    ),
    Break(
        "a register written",
        "gateway/acquisition/register_map.py",
        "Table.HOLDING_REGISTERS: 3,",
        "Table.HOLDING_REGISTERS: 6,",
        ("tests/test_layering.py", "tests/acquisition/test_golden_frames.py"),
    ),
    Break(
        "stale reading used as fresh",
        "gateway/binding.py",
        "if age_s > source.stale_after_s:",
        "if age_s > 1e12:",
        ("tests/test_binding.py",),
    ),
    Break(
        "expired density still Good",
        "gateway/binding.py",
        "    if manual.expires is not None and now >= manual.expires:\n        text",
        "    if manual.expires is not None and now < now:\n        text",
        ("tests/test_binding.py",),
    ),
    Break(
        "SIMULATED left out of the payload",
        "gateway/delivery/payload.py",
        '        payload["notice"] = "SIMULATED"\n    payload["figures"]',
        '    payload["figures"]',
        ("tests/delivery/test_payload.py",),
    ),
    Break(
        "Bad figure shown to Prometheus",
        "gateway/delivery/metrics.py",
        "if figure.value is not None and figure.quality is not Quality.BAD and isfinite(figure.value):",
        "if True:",
        ("tests/delivery/test_metrics.py",),
    ),
    Break(
        "inventories not retained",
        "gateway/delivery/mqtt_connection.py",
        "qos=1, retain=True)",
        "qos=1, retain=False)",
        ("tests/delivery/test_mqtt.py",),
    ),
)
