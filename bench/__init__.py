"""Measurements of accuracy and speed: `python -m bench [NAME ...]` runs them and writes docs/performance.md.

Every module of this package may offer `MEASUREMENTS`, a tuple of `Measurement`s; each is found by itself.
"""

import fitwright as fitwright  # before numpy: it says how many threads small matrices get
