"""Fitwright: a workbench for the person who fits cyclists to their bicycles."""

__version__ = "0.1.0"
