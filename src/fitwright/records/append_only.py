"""Rows that are written once: a correction is a new row that points to the one it replaces."""

from __future__ import annotations

from typing import Any, NoReturn

from django.db import models

from fitwright.records.bench import at_the_bench


class WrittenOnce(Exception):  # noqa: N818 - a statement about the row, not about the user
    """Something tried to overwrite or delete a row that is kept for ever."""


class AppendOnlyQuerySet(models.QuerySet[Any]):
    """A query set that can add and read, nothing else."""

    def update(self, **kwargs: Any) -> NoReturn:
        """Refused."""
        raise WrittenOnce(f"{self.model.__name__} rows are never overwritten; add a row that replaces it")

    def delete(self) -> NoReturn:
        """Refused."""
        raise WrittenOnce(f"{self.model.__name__} rows are never deleted one by one")

    def last_words(self) -> AppendOnlyQuerySet:
        """Rows that no later row replaces, oldest first; some may say that nothing stands there any more."""
        return self.filter(replaced_by__isnull=True).order_by("created_at", "pk")

    def current(self) -> AppendOnlyQuerySet:
        """Rows that no later row replaces and that were not withdrawn, oldest first."""
        rows = self.last_words()
        return rows.filter(withdrawn=False) if hasattr(self.model, "withdrawn") else rows


class AppendOnly(models.Model):
    """Abstract: created once, optionally replacing an older row of the same kind."""

    created_at = models.DateTimeField(auto_now_add=True)
    author = models.CharField(max_length=120, blank=True)
    replaces = models.OneToOneField(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="replaced_by"
    )

    objects = AppendOnlyQuerySet.as_manager()

    class Meta:
        abstract = True

    def save(self, *args: Any, **kwargs: Any) -> None:
        """Insert only."""
        if self.pk is not None and not self._state.adding:
            raise WrittenOnce(f"{type(self).__name__} {self.pk} is never overwritten")
        self.author = self.author or at_the_bench()
        super().save(*args, **kwargs)

    def delete(self, *args: Any, **kwargs: Any) -> NoReturn:
        """Refused."""
        raise WrittenOnce(f"{type(self).__name__} {self.pk} is kept")
