"""Every error the gateway raises on purpose: one base, small families, facts in attributes, text composed last."""

__all__ = [
    "LIMIT_PHRASE",
    "LIMIT_PHRASE_WITHOUT_UNIT",
    "AnswersShiftedError",
    "BadFrameError",
    "DeliveryError",
    "DeviceExceptionError",
    "EarlierAnswerError",
    "GatewayError",
    "LedgerError",
    "LimitError",
    "LinkError",
    "NoAnswerError",
    "NoConnectionError",
    "NotKeptError",
    "QuantityError",
    "SettingsError",
    "UsageError",
]


class GatewayError(Exception):
    """Base of every error raised on purpose. Its text is one line a person understands."""

    hint: str | None = None
    further: tuple[str, ...] = ()
    """What else is wrong, a line each, where it is more than one thing."""


LIMIT_PHRASE = "{quantity} {value:.7g} {unit} is {limit} ({clause})"
LIMIT_PHRASE_WITHOUT_UNIT = "{quantity} {value:.7g} is {limit} ({clause})"


class LimitError(GatewayError):
    """A value lies outside the range for which a method is defined. Retrying with the same value cannot help.

    Raised by calculation only; the sheet turns it into a Bad figure whose reason has the same phrase and facts.
    """

    def __init__(self, quantity: str, value: float, unit: str, limit: "str | LimitError", clause: str) -> None:
        """`limit`: what the value is, or the refusal behind this one. `unit` of a ratio or a count is `1`."""
        self.quantity = quantity
        self.value = value
        self.unit = unit
        self.limit = limit
        self.clause = clause
        phrase = LIMIT_PHRASE_WITHOUT_UNIT if unit == "1" else LIMIT_PHRASE
        super().__init__(phrase.format(quantity=quantity, value=value, unit=unit, limit=limit, clause=clause))


class LinkError(GatewayError):
    """A request on a wire did not get a valid answer. `retry_helps` tells whether the same request may yet succeed."""

    retry_helps = True


class NoConnectionError(LinkError):
    """The peer could not be reached, refused, or closed the connection."""


class NoAnswerError(LinkError):
    """The peer did not answer within the deadline. The link must not be reused before late bytes are ruled out."""


class BadFrameError(LinkError):
    """Bytes came that are not a valid answer to the request: wrong length, unit, function or protocol identifier."""


class EarlierAnswerError(BadFrameError):
    """Answers came, whole and right, but to earlier requests; the awaited one did not."""


class AnswersShiftedError(EarlierAnswerError):
    """Answers stay one request or more behind: no value of this line can be trusted until they are in step again."""


class DeviceExceptionError(LinkError):
    """The device answered with a Modbus exception code."""

    def __init__(self, code: int, meaning: str) -> None:
        self.code = code
        self.meaning = meaning
        # Codes 1 to 3 say that the request itself is wrong for this device.
        self.retry_helps = code not in (1, 2, 3)
        super().__init__(f"device answered exception {code} ({meaning})")


class SettingsError(GatewayError):
    """A site file, register map, product or table file is invalid. Holds every mistake found, not only the first."""

    def __init__(self, mistakes: "tuple[str, ...]") -> None:
        self.mistakes = mistakes
        super().__init__("\n".join(mistakes))


class DeliveryError(GatewayError):
    """A destination did not take a record. The adapter reconnects; it never stops another adapter."""


class LedgerError(GatewayError):
    """The ledger's file cannot be used as it is: of another site, of a newer version, or no ledger at all.

    Trying again with the same file cannot help. A disk that is full, gone or read-only is no such error.
    """

    def __init__(self, message: str, hint: str | None = None) -> None:
        self.hint = hint
        super().__init__(message)


class UsageError(GatewayError):
    """The command line was used wrongly: exit code 2."""

    def __init__(self, message: str, hint: str | None = None) -> None:
        self.hint = hint
        super().__init__(message)


class QuantityError(GatewayError):
    """A text is not a quantity of the dimension that is wanted, or a unit is not one of the dimension's."""


class NotKeptError(GatewayError):
    """What was asked for does not hold: the sentence says whether it may yet."""
