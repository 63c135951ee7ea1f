"""What a person types: one module per command of `tank-gateway`, by who uses it, with `add_arguments` and `execute`."""

__all__: list[str] = []
