"""Names as people search them: any script, without case, accents and marks.

A folded copy stands beside each name in the database, in an index of its three-letter pieces: SQLite FTS5 with the
"trigram" tokenizer, PostgreSQL with pg_trgm.
"""

from __future__ import annotations

import unicodedata
from typing import Any

from django.db import connection, models
from django.db.models.expressions import RawSQL

TOUCHING = str.maketrans({"ø": "o", "ł": "l", "đ": "d", "ð": "d", "þ": "th", "æ": "ae", "œ": "oe", "ı": "i"})
"""Letters whose stroke or ligature Unicode does not take apart."""
LEAST = 3
"""Letters that a word needs to be found by its pieces; shorter ones are looked for in the names themselves."""


def folded(name: str) -> str:
    """Without case, accents, vowel points, apostrophes and invisible signs; dashes are spaces. For comparing only."""
    plain = unicodedata.normalize("NFKD", name).casefold()
    apart = unicodedata.normalize("NFKD", plain).translate(TOUCHING)
    kept = (
        " " if (kind := unicodedata.category(c)) in ("Pd", "Zs", "Cc") else "" if c in "'’`´ʼ" or kind in ("Mn", "Cf")
        else c for c in apart
    )  # fmt: skip
    return " ".join("".join(kept).split())


class FoldedName(models.CharField[str, str]):
    """The folded text of another field of the same row, written with it."""

    def __init__(self, *args: Any, of: str = "name", **kwargs: Any) -> None:
        self.of = of
        given: dict[str, Any] = {"max_length": 500, "editable": False, "default": ""} | kwargs
        super().__init__(*args, **given)

    def deconstruct(self) -> Any:
        """As a migration writes it."""
        name, path, args, kwargs = super().deconstruct()
        return name, path, args, kwargs | {"of": self.of}

    def pre_save(self, model_instance: models.Model, add: bool) -> str:
        """Folded anew at each save."""
        value = folded(getattr(model_instance, self.of))[: self.max_length]
        setattr(model_instance, self.attname, value)
        return value


def called(rows: models.QuerySet[Any], query: str) -> models.QuerySet[Any]:
    """The riders among `rows` whose name holds every word of `query`, in any order."""
    words = folded(query).split()
    long = [w for w in words if len(w) >= LEAST]
    if long and connection.vendor == "sqlite":
        pieces = " ".join('"' + w.replace('"', '""') + '"' for w in long)
        found = RawSQL("SELECT rowid FROM records_rider_find WHERE records_rider_find MATCH %s", (pieces,))
        rows = rows.filter(pk__in=found)
        words = [w for w in words if len(w) < LEAST]
    for word in words:
        rows = rows.filter(folded__contains=word)
    return rows
