"""Codes that let a phone film or photograph for one place of one visit, and nothing else, for a while.

The token is 128 bits of HMAC-SHA256 of a random salt under this studio's secret key: the database alone holds no way
in, and the bench can still show the same code after its page was reloaded. It is looked up by its SHA-256.

A code is for one phone: the first that opens its page is given a secret of its own, and from then on only that phone
is let in. The bench sees that a phone came, and can let another one in instead.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import secrets
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from django.db import transaction
from django.utils import timezone
from django.utils.crypto import salted_hmac

from fitwright.errors import InputError, check_range
from fitwright.records.models import Medium, PhoneLink, Visit
from fitwright.studio import hanging, ride, still_rides
from fitwright.studio.feet import soles

OPEN_HOURS = 2.0
"""How long a code lasts when nothing else is said (our choice: a visit)."""
MOST_HOURS = 12.0
PHONE = "phone"
"""Key in a link's `about` of the SHA-256 of the secret that the paired phone holds."""
TOKEN_BYTES = 16


@dataclass(frozen=True)
class Purpose:
    """What a phone is to take, and where it is laid.

    Attributes:
        key: as the record names it. station: whose bench offers it. kind: "film" or "photo", as media are kept, or
            "form" for questions.
        shot: what is drawn and advised: "side", "front", "still", "sole" or "hang". side: "left", "right" or "".
        words: `film from the right, as it came`. lay: puts a medium at its place.
    """

    key: str
    station: str
    kind: str
    shot: str
    side: str
    words: str
    lay: Callable[[Visit, Medium, Mapping[str, Any]], None]


def _film(view: str, when: str) -> Purpose:
    def lay(visit: Visit, medium: Medium, about: Mapping[str, Any]) -> None:
        ride.save_film(visit, medium, view, when, about.get("camera_mm"))

    shot, side = ride.VIEWS[view]
    words = f"film {ride.VIEW_WORDS[view]}, {ride.WHEN_WORDS[when]}"
    return Purpose(f"film {view} {when}", "ride", "film", shot, side or "", words, lay)


def _sole(foot: str, when: str) -> Purpose:
    def lay(visit: Visit, medium: Medium, about: Mapping[str, Any]) -> None:
        soles.save_photo(visit, medium, foot, when)

    words = f"photograph of the {foot} sole, {soles.MOMENT_WORDS[when]}"
    return Purpose(f"sole {foot} {when}", "feet", "photo", "sole", foot, words, lay)


def _hang(side: str) -> Purpose:
    def lay(visit: Visit, medium: Medium, about: Mapping[str, Any]) -> None:
        hanging.save_photo(visit, medium, {"side": side})

    return Purpose(
        f"hang {side}", "body", "photo", "hang", side, f"photograph of the {side} foot hanging", lay
    )


def _still(side: str, when: str) -> Purpose:
    def lay(visit: Visit, medium: Medium, about: Mapping[str, Any]) -> None:
        still_rides.lay(visit, medium, {"side": side, "when": when})

    words = f"photograph of the rider held still, from the {side}, {ride.WHEN_WORDS[when]}"
    return Purpose(f"still {side} {when}", "ride", "photo", "still", side, words, lay)


def _no_file(visit: Visit, medium: Medium, about: Mapping[str, Any]) -> None:
    raise InputError("file", "is not what is asked here", hint="Answer the questions of the page")


FELT = Purpose("felt", "intake", "form", "felt", "", "pain and comfort, answered by the rider", _no_file)
PURPOSES: dict[str, Purpose] = {
    p.key: p
    for p in (
        FELT,
        *(_film(view, when) for when in ride.MOMENTS for view in ride.VIEWS),
        *(_still(side, when) for when in ride.MOMENTS for side in still_rides.SIDES),
        *(_sole(foot, when) for when in soles.MOMENTS for foot in soles.FEET),
        *(_hang(side) for side in soles.FEET),
    )
}
OFFERED = {"intake": ("intake",), "ride": ("ride",), "feet": ("feet", "body"), "body": ("body",)}
"""Station → the stations whose pictures its bench asks for."""


def offered(station: str) -> tuple[Purpose, ...]:
    """What a phone can take at this station."""
    return tuple(p for p in PURPOSES.values() if p.station in OFFERED[station])


def purpose_of(key: str) -> Purpose:
    """The purpose of this name; InputError when there is none."""
    if key not in PURPOSES:
        raise InputError("what to take", "unknown", value=key[:40], allowed=", ".join(PURPOSES))
    return PURPOSES[key]


def open_link(
    visit: Visit, key: str, about: Mapping[str, Any] | None = None, hours: float = OPEN_HOURS
) -> PhoneLink:
    """A new code for this visit and purpose; one that was open for the same is closed."""
    purpose_of(key)
    check_range("hours", hours, 0.1, MOST_HOURS, "h")
    salt = secrets.token_hex(16)
    with transaction.atomic():
        PhoneLink.objects.filter(visit=visit, purpose=key, closed=False).update(closed=True)
        return PhoneLink.objects.create(
            visit=visit, purpose=key, about=dict(about or {}), salt=salt, token_hash=_hash(_token(salt)),
            expires_at=timezone.now() + timedelta(hours=hours),
        )  # fmt: skip


def token_of(link: PhoneLink) -> str:
    """The token of a link, for the code that the bench shows."""
    return _token(link.salt)


def close_link(visit: Visit, pk: int) -> None:
    """From here on the phone's page takes nothing more."""
    if not PhoneLink.objects.filter(visit=visit, pk=pk).update(closed=True):
        raise InputError("code", "is not one of this visit")


def open_links(visit: Visit, station: str) -> list[PhoneLink]:
    """The codes of this station that a phone can use now, newest first."""
    keys = [p.key for p in offered(station)]
    found = PhoneLink.objects.filter(visit=visit, purpose__in=keys, closed=False)
    return list(found.filter(expires_at__gt=timezone.now()).order_by("-pk"))


def link_of(token: str) -> PhoneLink | None:
    """The link that a token opens, or None. Ended links are found too: `is_open` tells."""
    wanted = _hash(token)
    link = PhoneLink.objects.select_related("visit").filter(token_hash=wanted).first()
    # Looked up by digest, so that timing tells nothing of the token; compared in constant time all the same.
    if link is None or not hmac.compare_digest(link.token_hash, wanted):
        return None
    return link


def is_open(link: PhoneLink) -> bool:
    """Neither closed at the bench nor past its time."""
    return not link.closed and link.expires_at > timezone.now()


def meet(link: PhoneLink, secret: str) -> str | None:
    """A phone comes with the secret that it holds ("" for none): that secret, a new one for the first phone, or None
    when another phone is paired already."""
    known = link.about.get(PHONE, "")
    if not known:  # only the first phone writes; every piece of a film asks here
        with transaction.atomic():
            row = PhoneLink.objects.select_for_update(of=("self",)).get(pk=link.pk)
            known = row.about.get(PHONE, "")
            if not known:
                secret = secrets.token_urlsafe(TOKEN_BYTES)
                row.about = {**row.about, PHONE: _hash(secret)}
                row.save(update_fields=["about"])
                link.about = row.about
                return secret
    return secret if hmac.compare_digest(known, _hash(secret)) else None


def is_paired(link: PhoneLink) -> bool:
    """Whether a phone has opened the page."""
    return bool(link.about.get(PHONE))


def release(visit: Visit, pk: int) -> None:
    """Let another phone in instead: the next that opens the page."""
    link = PhoneLink.objects.filter(visit=visit, pk=pk).first()
    if link is None:
        raise InputError("code", "is not one of this visit")
    link.about = {k: v for k, v in link.about.items() if k != PHONE}
    link.save(update_fields=["about"])


def _token(salt: str) -> str:
    """26 letters and digits without capitals, so that it can be typed from the screen."""
    digest = salted_hmac("fitwright.phone", salt, algorithm="sha256").digest()[:TOKEN_BYTES]
    return base64.b32encode(digest).decode("ascii").rstrip("=").lower()


def _hash(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "surrogatepass")).hexdigest()
