"""Random sites as they truly are, the site files that a user would write of them, and what their instruments show.

Imports nothing of `gateway` and nothing of `simulators`.
"""
