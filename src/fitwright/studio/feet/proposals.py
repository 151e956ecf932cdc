"""What the finder proposes in a sole photograph: asked once for each photograph and foot, kept, never imposed."""

from __future__ import annotations

from fitwright import __version__
from fitwright.records.models import Medium, Visit
from fitwright.studio.feet.photo import picture_of, plane_of
from fitwright.studio.feet.soles import check_place
from fitwright.studio.visits import analyse, analysis
from fitwright.vision.propose import SoleProposals, propose_sole

KIND = "proposals"


def proposals_of(visit: Visit, medium: Medium, foot: str) -> SoleProposals:
    """The proposals for this photograph as this foot's sole: those on record, or found now and put on record.

    Raises InputError when the photograph has no card to measure by.
    """
    check_place(foot, "before")
    known = kept(visit, medium, foot)
    if known is not None:
        return known
    found = propose_sole(picture_of(medium), plane_of(medium), foot)
    analyse(visit, KIND, _label(medium, foot), found.to_json(), medium=medium)
    return found


def kept(visit: Visit, medium: Medium, foot: str) -> SoleProposals | None:
    """The proposals on record, as long as this version of the program made them."""
    row = analysis(visit, KIND, _label(medium, foot))
    if row is None or row.program_version != __version__:
        return None
    try:
        return SoleProposals.from_json(row.result)
    except (KeyError, TypeError, ValueError):  # of a finder that told other things
        return None


def _label(medium: Medium, foot: str) -> str:
    return f"{foot} {medium.sha256[:16]}"
