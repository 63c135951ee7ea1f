"""Pure: the four tables of Modbus, and how much of each one read may ask for."""

from enum import StrEnum

__all__ = ["LARGEST_BITS", "LARGEST_REGISTERS", "Table"]

LARGEST_REGISTERS = 125
"""Registers in one read: Modbus Application Protocol V1.1b3, sections 6.3 and 6.4."""
LARGEST_BITS = 2000
"""Bits in one read: Modbus Application Protocol V1.1b3, sections 6.1 and 6.2."""


class Table(StrEnum):
    """The four Modbus tables and the only function codes this program can send: those that read them.

    Modbus Application Protocol V1.1b3, sections 6.1 to 6.4.
    """

    read_function: int
    holds_bits: bool

    COILS = "coils", 1, True
    DISCRETE_INPUTS = "discrete_inputs", 2, True
    HOLDING_REGISTERS = "holding_registers", 3, False
    INPUT_REGISTERS = "input_registers", 4, False

    def __new__(cls, word: str, read_function: int = 0, holds_bits: bool = False) -> "Table":
        # Kept with each member: they are looked at for every request. Defaults: `Table(word)` makes none.
        table = str.__new__(cls, word)
        table._value_ = word
        table.read_function = read_function
        table.holds_bits = holds_bits
        return table
