"""Drawings and documents: SVG for page and paper, PDF by typst. Functions take domain values, never the database."""
