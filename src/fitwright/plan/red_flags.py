"""Questions that stop the advice: with a yes to any, the rider is referred before anything is changed.

The list is general sports medicine and awaits reading by a clinician; nothing here names a disease or says what
is the matter. What was measured is kept.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from fitwright.errors import InputError

URGENT = "today"
SOON = "before any change"


@dataclass(frozen=True)
class Question:
    """One yes/no question. `reason` is how the referral names it; `when` is how soon to be seen."""

    id: str
    question: str
    reason: str
    when: str = SOON


QUESTIONS: tuple[Question, ...] = (
    Question("pain_at_rest_or_night", "Is there pain at rest, or pain that wakes you at night?",
             "pain at rest or at night"),
    Question("swelling_or_locking", "Has a joint been swollen, or does it lock or give way?",
             "a joint that swells, locks or gives way"),
    Question("recent_trauma", "Have you had a fall, a blow or an operation in the last weeks?",
             "a recent fall, blow or operation"),
    Question("persistent_numbness", "Does numbness or tingling last for hours after a ride, or recur in the saddle "
             "region?", "numbness that persists or recurs"),
    Question("weakness", "Has an arm, hand, leg or foot become weak, or has a hand grown thinner?",
             "weakness or loss of muscle"),
    Question("saddle_or_bladder", "Has anything changed with bladder, bowel or sexual function, or is there no "
             "feeling where you sit?", "a change of bladder, bowel or sexual function, or no feeling where you sit",
             URGENT),
    Question("calf_swelling", "Is a calf swollen, warm or sore without a reason?",
             "a swollen, warm or sore calf", URGENT),
    Question("chest_or_fainting", "Have you had chest pain, fainting or unusual breathlessness when riding?",
             "chest pain, fainting or breathlessness", URGENT),
    Question("known_unstable_condition", "Has a doctor told you of a condition that is not yet stable?",
             "a known condition that is not stable"),
    Question("acute_illness", "Do you have a fever, or are you ill today?", "fever or acute illness"),
)  # fmt: skip
_BY_ID = {q.id: q for q in QUESTIONS}


def referral(answers: Mapping[str, bool]) -> str:
    """The referral text when any answer is yes, else "".

    Raises:
        InputError: an id that is not a question's.
    """
    unknown = [k for k in answers if k not in _BY_ID]
    if unknown:
        raise InputError("red_flags", "unknown question", value=unknown[0], allowed=", ".join(_BY_ID))
    yes = [q for q in QUESTIONS if answers.get(q.id)]
    if not yes:
        return ""
    reasons = "; ".join(q.reason for q in yes)
    when = (
        "Please be seen by a doctor today."
        if any(q.when == URGENT for q in yes)
        else "Please see a doctor or physiotherapist before the position is changed."
    )
    return (
        f"No change is advised today, because of: {reasons}. {when} This is no diagnosis. "
        "What was measured is kept, and the visit can go on afterwards."
    )


def unanswered(answers: Mapping[str, bool]) -> tuple[str, ...]:
    """Ids of questions without an answer."""
    return tuple(q.id for q in QUESTIONS if q.id not in answers)
