"""Which letters of a paper make the shipped typefaces be opened."""

from fitwright.sheets.faces import strange


def test_marks_of_direction_open_no_typeface():
    """A name that may run the other way stands between isolates: nothing is printed for them."""
    assert strange("\u2068Ann\u2069 · 3 May 2026 · \u200f±\u200e") == set()


def test_other_scripts_are_asked_for():
    assert strange("Ann 漢 \u2068ع\u2069") == {"漢", "ع"}
