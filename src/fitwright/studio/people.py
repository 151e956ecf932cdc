"""The people of the studio: who is at the bench is told by a name, so that each entry says whose it is.

No password: the workbench answers on its own computer alone, and who sits there has its files (docs/decisions/008).
"""

from __future__ import annotations

from collections.abc import Sequence

from fitwright.errors import InputError
from fitwright.records.models import Person

LONGEST = 60


def people(*, here: bool = True) -> Sequence[Person]:
    """Those who work here (or those who left), by name."""
    return list(Person.objects.filter(here=here).order_by("folded", "pk"))


def add(name: str) -> Person:
    """Add a person, or take one who left back by the same name.

    Raises:
        InputError: no name, one that is too long, or one that is here already.
    """
    name = " ".join(name.split())
    if not name or len(name) > LONGEST:
        raise InputError("Name", "is needed" if not name else "is too long", value=name[:40] or None,
                         allowed=f"1 to {LONGEST} characters")  # fmt: skip
    known = next((p for p in Person.objects.all() if p.name.casefold() == name.casefold()), None)
    if known is None:
        return Person.objects.create(name=name)
    if known.here:
        raise InputError(
            "Name", "is here already", value=known.name, hint="Tell two of one name apart by a letter"
        )
    return back(known.pk)


def leave(pk: int) -> Person:
    """Put a person aside: what they entered keeps their name."""
    return _set(pk, here=False)


def back(pk: int) -> Person:
    """Take a person who left back."""
    return _set(pk, here=True)


def named(pk: int) -> Person | None:
    """The person who works here under this key."""
    return Person.objects.filter(pk=pk, here=True).first()


def _set(pk: int, *, here: bool) -> Person:
    person = Person.objects.filter(pk=pk).first()
    if person is None:
        raise InputError("Person", "is none of this studio", hint="Reload the page")
    person.here = here
    person.save(update_fields=["here"])
    return person
