"""Fitwright: a workbench for the person who fits cyclists to their bicycles."""

import os

__version__ = "0.1.0"

# Its matrices are small: threads that wait for each other cost more than they bring, and four times as much while a
# film is being decoded beside them. Must be said before numpy is loaded; who sets it otherwise is heard.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
