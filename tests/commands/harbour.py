"""Lines, instruments and product of a small site. A test of one command adds the tanks TK-1 and TK-2."""

__all__ = ["HARBOUR"]

HARBOUR = """
site: {name: harbour, time_zone: Europe/London}
lines: {field: {address: 127.0.0.1:1}}
instruments:
  LT-1: {line: field, unit: 1, map: level_by_ullage_uint32, period: 2 s}
  LT-2: {line: field, unit: 2, map: level_by_ullage_uint32, period: 2 s}
  TT-1: {line: field, unit: 3, map: profile_5_int16, period: 2 s}
  TT-2: {line: field, unit: 4, map: profile_5_int16, period: 2 s}
products: {diesel: {method: api_11_1_2004, group: refined, reference_temperature: 15 degC,
  reference_density: 838 kg/m3}}
tanks:
"""
