"""Riders are found by any piece of their name, in any script, and the index follows every change of a name."""

from __future__ import annotations

import pytest
from django.db import connection
from hypothesis import given
from hypothesis import strategies as st

from fitwright.records.models import Rider
from fitwright.records.names import called, folded

pytestmark = pytest.mark.django_db


def found(query: str) -> set[str]:
    return set(called(Rider.objects.all(), query).values_list("name", flat=True))


@pytest.mark.parametrize(
    ("name", "same"),
    [
        ("Årsta Söderqvist", "arsta SODERQVIST"), ("Łucja Żak", "lucja zak"), ("Jørgen Ærø", "jorgen aero"),
        ("Weiß", "WEISS"), ("O’Neill-Brandt", "oneill brandt"), ("Αθηνά Παππάς", "ΑΘΗΝΑ ΠΑΠΠΑΣ"),
        ("Ёлкина", "елкина"),
        ("שָׁלוֹם", "שלום"), ("مُحَمَّد", "محمد"), ("יעל בן־דוד", "יעל בן דוד"), ("Nguyễn", "nguyen"), ("ﬁlip", "filip"),
        ("a\u200db\u200f", "ab"), ("Ｗａｎｇ", "wang"),
    ],
)  # fmt: skip
def test_names_that_are_said_the_same_fold_the_same(name: str, same: str):
    assert folded(name) == folded(same)


@given(st.text(max_size=40))
def test_folding_twice_changes_nothing(name: str):
    assert folded(folded(name)) == folded(name)


@pytest.mark.parametrize(
    "query",
    ["mar", "MÁR", "arg", "ret", "m", "ma", "marg k", "kö marg", "王", "王小", "小明 王", "李王小明", "βασ", "’", "'",
     '"', "%", "_", "ma_", "a%t", "\\", "", " ", "mar OR 1", "-mar", "mar*", "NEAR(mar", "(", "zzz"],
)  # fmt: skip
def test_the_index_finds_what_looking_through_every_name_finds(query: str):
    names = ["Margret König", "Tamar Levi", "王小明", "Βασιλική", 'Mar"tin %_\\', "Mar*", "-marlen", "O’Mara"]
    Rider.objects.bulk_create(Rider(name=n) for n in names)
    words = folded(query).split()
    assert found(query) == {n for n in names if all(w in folded(n) for w in words)}


def test_the_index_follows_a_name_that_is_changed_and_a_rider_that_is_erased():
    rider = Rider.objects.create(name="Bärbel Aster")
    assert found("barbel") == {"Bärbel Aster"}
    rider.name = "Bärbel Nelke"
    rider.save()
    assert found("aster") == set()
    assert found("nelke") == {"Bärbel Nelke"}
    rider.delete()
    assert found("nelke") == set()
    if connection.vendor != "sqlite":  # PostgreSQL keeps its own indexes
        return
    with connection.cursor() as cursor:  # FTS5 compares its pieces with the table and raises when they differ
        cursor.execute(
            "INSERT INTO records_rider_find(records_rider_find, rank) VALUES ('integrity-check', 1)"
        )


@pytest.mark.skipif(
    connection.vendor != "sqlite", reason="test_postgres.py asks PostgreSQL, which scans a short table"
)
def test_a_search_reads_the_index_and_not_the_names():
    Rider.objects.create(name="Ann Other")
    plan = called(Rider.objects.all(), "other").explain()
    assert "VIRTUAL TABLE INDEX" in plan
    assert "SCAN records_rider\n" not in plan + "\n"
