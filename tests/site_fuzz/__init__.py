"""A seeded fuzz over whole random sites, judged by an oracle that shares no code with the program.

`world` draws sites as they truly are and says what their instruments show; `oracle` works out the sheet a second time,
from the description of the site and the readings alone, and once more from what is truly in the tank;
`through_gateway` takes the site file and the readings the program's way; `judge` compares. `python -m tests.site_fuzz
SITE TANK` plays one tank again.
"""
