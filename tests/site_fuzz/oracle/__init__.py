"""The sheet worked out a second time, from the published relations and the rules as decided.

Imports nothing of `gateway`, nothing of `simulators`, and of the rest the descriptions alone: `products`, `tanks` and
`states`.
"""
