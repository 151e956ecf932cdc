"""Files that are given: what is refused, and in which words."""

from __future__ import annotations

import pytest

from fitwright.errors import InputError
from fitwright.given import check_file, json_in


def test_a_folder_and_nothing_are_no_file(tmp_path):
    (tmp_path / "a.txt").write_text("", encoding="utf-8")
    check_file("film", tmp_path / "a.txt")
    with pytest.raises(InputError, match="is a folder"):
        check_file("film", tmp_path)
    with pytest.raises(InputError, match="does not exist"):
        check_file("film", tmp_path / "b.txt")


@pytest.mark.parametrize("text", ["", "{", "[" * 200_000, b"\xff\xfe\xfa"])
def test_what_is_no_json_is_one_kind_of_error(text):
    with pytest.raises(ValueError, match=r"line 1|nested|codec"):
        json_in(text)


def test_json_is_read():
    assert json_in('{"a": [1, null]}') == {"a": [1, None]}
