"""The site file of random tanks, written as a user would write it, and the capacity tables beside it."""

from collections.abc import Sequence

from tests.site_fuzz.tanks import End, Gauge, Shape, Signal, Tank
from tests.site_fuzz.world.product_text import ENTERED, density_text, product_lines

__all__ = ["site_text"]


def site_text(name: str, tanks: Sequence[Tank]) -> str:
    lines = [
        "site:",
        f"  name: {name}",
        "  time_zone: Europe/London",
        f"  gravity: {tanks[0].gravity!r} m/s2",
        "lines:",
        "  field: {address: '192.0.2.10:502'}",
        "instruments:",
    ]
    for number, tank in enumerate(tanks, start=1):
        lines += [f"  X-{tank.tag}:", "    line: field", f"    unit: {number}", "    period: 2 s", "    signals:"]
        lines += [f"      {text}" for text in _signals(tank)]
    lines.append("products:")
    for tank in tanks:
        lines += [f"  of-{tank.tag}:", *(f"    {text}" for text in product_lines(tank))]
    lines.append("tanks:")
    for tank in tanks:
        lines += [f"  {tank.tag}:", *(f"    {text}" for text in _tank(tank))]
    return "\n".join(lines) + "\n"


def _m(value: float) -> str:
    """A length: what is short in millimetres."""
    return f"{value * 1000.0:.10g} mm" if abs(value) < 0.5 else f"{value!r} m"


def _all_signals(tank: Tank) -> list[Signal]:
    single = [tank.gauge.signal, tank.probe, tank.ambient, tank.vapour_pressure]
    single += [fitted.signal for fitted in (tank.second, tank.hybrid) if fitted is not None]
    return [each for each in single if each is not None] + [each.signal for each in tank.elements]


def _signals(tank: Tank) -> list[str]:
    address, lines = 0, []
    for signal in _all_signals(tank):
        if signal.kind == "loop":
            keys = f"type: uint16, unit: uA, current_loop: {{low: 0 m, high: {signal.scale * 16_000.0!r} m}}"
        else:
            scale = "" if signal.scale == 1.0 else f", scale: {signal.scale!r}"
            keys = f"type: {signal.kind}{scale}, unit: {signal.unit}"
        if signal is tank.probe and signal.kind == "int16":
            keys += ", none_detected: [32767]"
        lines.append(f"{signal.name}: {{table: input_registers, address: {address}, {keys}}}")
        address += 2
    return lines


def _end(end: End) -> str:
    keys = [f"kind: {end.kind}"]
    if end.depth:
        keys.append(f"depth: {_m(end.depth)}")
    if end.kind == "torispherical":
        keys += [f"crown_ratio: {end.crown!r}", f"knuckle_ratio: {end.knuckle!r}"]
    return f"{{{', '.join(keys)}}}"


def _shape(shape: Shape) -> list[str]:
    lines = [f"kind: {shape.kind}"]
    match shape.kind:
        case "upright_cylinder":
            lines += [f"diameter: {_m(shape.diameter)}", f"height: {_m(shape.height)}", f"bottom: {_end(shape.bottom)}"]
        case "standing_vessel":
            lines += [f"diameter: {_m(shape.diameter)}", f"tangent_length: {_m(shape.height)}"]
            lines += [f"bottom: {_end(shape.bottom)}", f"top: {_end(shape.top)}"]
        case "lying_cylinder":
            lines += [
                f"diameter: {_m(shape.diameter)}",
                f"tangent_length: {_m(shape.height)}",
                f"head: {shape.head.kind}",
            ]
            if shape.head.kind == "torispherical":
                lines += [f"crown_ratio: {shape.head.crown!r}", f"knuckle_ratio: {shape.head.knuckle!r}"]
            if shape.slope:
                lines.append(f"tilt: {{slope: {shape.slope!r} 1, gauge_from_low_end: {_m(shape.gauge)}}}")
        case "sphere":
            lines.append(f"diameter: {_m(shape.diameter)}")
        case _:
            lines += [f"length: {_m(shape.length)}", f"width: {_m(shape.width)}", f"height: {_m(shape.height)}"]
    if shape.datum:
        lines.append(f"datum: {_m(shape.datum)}")
    if shape.heel:
        lines.append(f"heel: {shape.heel!r} m3")
    if shape.deadwood:
        lines.append("deadwood:")
        lines += [
            f"  - {{volume: {each.volume!r} m3, lowest: {_m(each.lowest)}, highest: {_m(each.highest)}}}"
            for each in shape.deadwood
        ]
    return lines


def _source(tank: Tank, signal: Signal) -> str:
    return f"instrument: X-{tank.tag}, signal: {signal.name}"


def _gauge(tank: Tank, gauge: Gauge) -> str:
    if gauge.measures == "pressure":
        how = f"from_pressure: {{nozzle_height: {_m(gauge.nozzle)}}}"
    else:
        how = f"measures: {gauge.measures}, offset: {_m(gauge.offset)}"
    return f"{{{_source(tank, gauge.signal)}, {how}}}"


def _tank(tank: Tank) -> list[str]:
    lines = [f"product: of-{tank.tag}", f"reference_height: {_m(tank.reference_height)}"]
    if tank.table is None:
        lines += ["shape:", *(f"  {text}" for text in _shape(tank.shape))]
    else:
        lines.append(f"capacity_table: {{file: {tank.tag}.csv, kind: {tank.shape.kind}}}")
    lines.append(f"level: {_gauge(tank, tank.gauge)}")
    if tank.second is not None:
        lines.append(f"second_level: {_gauge(tank, tank.second)}")
    lines += _temperature_block(tank)
    lines.append(_water(tank))
    if tank.heel_holds is not None:
        lines.append(f"heel_holds: {tank.heel_holds}")
    if tank.ambient is not None:
        ohm = "" if tank.ambient.ohm is None else f", resistance_element: {_ohm(tank.ambient)}"
        lines.append(f"ambient: {{{_source(tank, tank.ambient)}{ohm}}}")
    if tank.vapour_pressure is not None:
        lines.append(f"vapour_pressure: {{{_source(tank, tank.vapour_pressure)}}}")
    lines += [
        f"{key}: yes" for key, given in (("pressurised", tank.pressurised), ("blanketed", tank.blanketed)) if given
    ]
    return lines + _parts(tank)


def _ohm(signal: Signal) -> str:
    return "Pt100" if signal.ohm == 100.0 else "Pt1000"


def _temperature_block(tank: Tank) -> list[str]:
    lines = []
    if tank.elements:
        lines += ["temperature:", f"  instrument: X-{tank.tag}", f"  immersion_margin: {_m(tank.margin)}"]
        if tank.weighting is not None:
            lines.append(f"  weighting: {tank.weighting}")
        if tank.elements[0].signal.ohm is not None:
            lines.append(f"  resistance_element: {_ohm(tank.elements[0].signal)}")
        lines.append("  elements:")
        lines += [f"    - {{signal: {each.signal.name}, height: {_m(each.height)}}}" for each in tank.elements]
    if tank.manual_c is not None:
        lines.append(f"manual: {{temperature: {{value: {tank.manual_c!r} degC, entered: {ENTERED}, expires: 7 d}}}}")
    return lines


def _water(tank: Tank) -> str:
    match tank.water:
        case "probe":
            assert tank.probe is not None
            return f"free_water: {{kind: probe, {_source(tank, tank.probe)}}}"
        case "dip":
            return f"free_water: {{kind: dip, value: {_m(tank.dip)}, entered: {ENTERED}, expires: 31 d}}"
        case _:
            return "free_water: none"


def _parts(tank: Tank) -> list[str]:
    lines = []
    roof, shell, head, hybrid, vapour = tank.roof, tank.shell, tank.head, tank.hybrid, tank.vapour
    if roof is not None:
        lines.append(f"roof: {{mass: {roof.mass!r} kg, critical_low: {_m(roof.low)}, critical_high: {_m(roof.high)}}}")
    if shell is not None:
        metal = f"metal: {shell.metal}" if shell.metal else f"expansion: {shell.coefficient!r} /degC"
        table = (
            ""
            if tank.table is not None and tank.table.temperature_c is not None
            else f", table_temperature: {shell.table_c!r} degC"
        )
        lines.append(f"shell: {{{metal}{table}, insulated: {'yes' if shell.insulated else 'no'}}}")
    if head is not None:
        courses = ", ".join(f"{{height: {_m(high)}, thickness: {thick!r} m}}" for high, thick in head.courses)
        diameter = f"diameter: {_m(head.diameter)}, " if tank.table is not None else ""
        lines.append(f"liquid_head: {{{diameter}courses: [{courses}], modulus: {head.modulus / 1e9!r} GPa}}")
    if hybrid is not None:
        around = ""
        if hybrid.vapour_height is not None:
            around = (
                f", vapour_transmitter_height: {_m(hybrid.vapour_height)}, gas_density: {hybrid.gas_density!r} kg/m3"
            )
            around += f", air_density: {hybrid.air_density!r} kg/m3"
        lines.append(
            f"measured_density: {{{_source(tank, hybrid.signal)}, nozzle_height: {_m(hybrid.nozzle)}, "
            f"in_use: {'yes' if hybrid.in_use else 'no'}, minimum_head: {_m(hybrid.minimum_head)}, "
            f"difference_limit: {hybrid.difference_limit!r} kg/m3{around}}}"
        )
    if vapour is not None:
        if vapour.density is not None:
            lines.append(f"vapour: {{density: {vapour.density!r} kg/m3}}")
        else:
            how = (
                f"component: {vapour.component}"
                if vapour.component
                else f"molar_mass: {vapour.molar_mass * 1000.0!r} g/mol, compressibility: {vapour.z!r}"
                if vapour.molar_mass
                else ""
            )
            lines.append(f"vapour: {{{how}, atmospheric_pressure: {vapour.atmosphere / 1000.0!r} kPa}}")
    density = tank.density
    if density is not None and not density.by_product:
        lines.append(f"density: {density_text(tank)}")
    if tank.sediment is not None:
        lines.append(f"sediment_water: {{value: {tank.sediment!r} 1, entered: {ENTERED}, expires: 31 d}}")
    limits = [
        f"{name}: {_m(value)}"
        for name, value in (("minimum", tank.minimum), ("maximum_working", tank.working))
        if value is not None
    ]
    if limits:
        lines.append(f"limits: {{{', '.join(limits)}}}")
    if tank.flow is not None:
        lines += [f"{key}: {tank.flow * 3600.0!r} m3/h" for key in ("maximum_flow_in", "maximum_flow_out")]
    return lines
