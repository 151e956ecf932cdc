"""What a studio keeps. Nothing is overwritten: measured and decided things are append-only rows."""

from __future__ import annotations

from typing import Any

from django.db import models

from fitwright.quantity import Measured
from fitwright.records.append_only import AppendOnly
from fitwright.records.bench import at_the_bench
from fitwright.records.names import FoldedName

STATIONS = ("intake", "body", "feet", "bike", "ride", "plan", "handover")
SIDES = ("left", "right", "")


class Studio(models.Model):
    """The one studio of this database."""

    name = models.CharField(max_length=120)
    simulated = models.BooleanField(default=False, help_text="invented by the demo")


class Person(models.Model):
    """Somebody who works in the studio; who left keeps the name on what they entered."""

    name = models.CharField(max_length=120, unique=True)
    folded = FoldedName(of="name")
    here = models.BooleanField(default=True)
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        verbose_name_plural = "people"

    def __str__(self) -> str:
        return self.name


class Rider(models.Model):
    """A person who comes to be fitted."""

    name = models.CharField(max_length=120, db_index=True)
    folded = FoldedName(of="name")
    born_year = models.PositiveSmallIntegerField(null=True, blank=True)
    sex = models.CharField(max_length=1, blank=True, help_text="M or F, for reference populations only")
    simulated = models.BooleanField(default=False)
    consent_at = models.DateTimeField(null=True, blank=True)
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        indexes = (models.Index(fields=("folded", "id"), name="rider_by_folded_name"),)

    def __str__(self) -> str:
        return self.name


class Bike(models.Model):
    """A rider's bicycle."""

    rider = models.ForeignKey(Rider, on_delete=models.PROTECT, related_name="bikes")
    name = models.CharField(max_length=120)
    use = models.CharField(max_length=40, blank=True)


class Shoes(models.Model):
    """A pair of shoes with its cleat and pedal system, described by measures only.

    A rider's pairs are told apart by `letter`; a row that corrects a pair keeps its letter.
    """

    rider = models.ForeignKey(Rider, on_delete=models.PROTECT, related_name="shoes")
    letter = models.CharField(max_length=2, default="A")
    name = models.CharField(max_length=120)
    size_eu = models.DecimalField(max_digits=4, decimal_places=1, null=True, blank=True)
    cleat_system = models.JSONField(default=dict)
    created_at = models.DateTimeField(auto_now_add=True, null=True)

    class Meta:
        verbose_name_plural = "shoes"


class Visit(models.Model):
    """One appointment; `version` grows with each save so that two tabs never overwrite each other.

    `follow_up_on` is the day to meet again while that is still open: a later visit of the rider closes it.
    """

    rider = models.ForeignKey(Rider, on_delete=models.PROTECT, related_name="visits")
    bike = models.ForeignKey(Bike, null=True, blank=True, on_delete=models.PROTECT)
    shoes = models.ForeignKey(Shoes, null=True, blank=True, on_delete=models.PROTECT)
    title = models.CharField(max_length=120, blank=True)
    use = models.CharField(max_length=40, default="road")
    simulated = models.BooleanField(default=False)
    opened_at = models.DateTimeField(auto_now_add=True)
    version = models.PositiveIntegerField(default=1)
    follow_up_on = models.DateField(null=True, blank=True)

    class Meta:
        ordering = ("-opened_at", "-pk")
        indexes = (
            models.Index(fields=("-opened_at", "-id"), name="visit_latest_first"),
            models.Index(fields=("rider", "-opened_at"), name="visit_of_rider"),
            models.Index(
                fields=("follow_up_on", "id"), name="visit_to_follow_up",
                condition=models.Q(follow_up_on__isnull=False),
            ),
        )  # fmt: skip


class Medium(models.Model):
    """A photograph, film or marker file, kept once under its SHA-256."""

    sha256 = models.CharField(max_length=64, unique=True)
    kind = models.CharField(max_length=16)  # photo, film, markers, document
    name = models.CharField(max_length=200)
    mime = models.CharField(max_length=80)
    size_bytes = models.PositiveBigIntegerField()
    simulated = models.BooleanField(default=False)
    outside = models.CharField(
        max_length=500, blank=True, help_text="path of a file that stays where it is and is not copied"
    )
    meta = models.JSONField(default=dict)
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        verbose_name_plural = "media"


class Answer(AppendOnly):
    """What was said or ticked at a station: any JSON value under a key."""

    visit = models.ForeignKey(Visit, on_delete=models.PROTECT, related_name="answers")
    station = models.CharField(max_length=12)
    key = models.CharField(max_length=60)
    value = models.JSONField(null=True)

    class Meta:
        indexes = (models.Index(fields=("visit", "station", "key")),)


class Measurement(AppendOnly):
    """A number with its standard uncertainty, unit, method, and where it came from."""

    visit = models.ForeignKey(Visit, on_delete=models.PROTECT, related_name="measurements")
    station = models.CharField(max_length=12)
    key = models.CharField(max_length=60)
    side = models.CharField(max_length=5, blank=True)
    value = models.FloatField()
    u = models.FloatField()
    unit = models.CharField(max_length=8)
    method = models.CharField(max_length=200)
    readings = models.JSONField(default=list, help_text="single readings, when there were several")
    withdrawn = models.BooleanField(default=False, help_text="from here on nothing stands under this key")
    medium = models.ForeignKey(Medium, null=True, blank=True, on_delete=models.PROTECT)

    class Meta:
        indexes = (models.Index(fields=("visit", "station", "key", "side")),)

    @property
    def measured(self) -> Measured:
        """As the domain's `Measured`."""
        return Measured(self.value, self.u, self.unit, self.method)


class Analysis(AppendOnly):
    """What a computation gave: kind ("sole", "ride", "twin", "plan", "outcome", "remount"), inputs, result."""

    visit = models.ForeignKey(Visit, on_delete=models.PROTECT, related_name="analyses")
    kind = models.CharField(max_length=16)
    label = models.CharField(max_length=60, help_text='e.g. "left before", "side after"')
    medium = models.ForeignKey(Medium, null=True, blank=True, on_delete=models.PROTECT)
    program_version = models.CharField(max_length=20)
    inputs = models.JSONField(default=dict)
    result = models.JSONField()

    class Meta:
        verbose_name_plural = "analyses"
        indexes = (models.Index(fields=("visit", "kind", "label")),)


class Position(AppendOnly):
    """An immutable snapshot: contact points, cleat poses, marks, hardware; `parent` is the one before."""

    visit = models.ForeignKey(Visit, on_delete=models.PROTECT, related_name="positions")
    parent = models.ForeignKey(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="children"
    )
    label = models.CharField(max_length=60)
    data = models.JSONField()


class Change(AppendOnly):
    """One planned turn of one bolt; what became of it are `ChangeStep` rows."""

    visit = models.ForeignKey(Visit, on_delete=models.PROTECT, related_name="changes")
    plan = models.ForeignKey(Analysis, on_delete=models.PROTECT, related_name="changes")
    order = models.PositiveSmallIntegerField()
    planned = models.JSONField()


class ChangeStep(AppendOnly):
    """A change was done, kept or undone; with the value that was actually measured."""

    change = models.ForeignKey(Change, on_delete=models.PROTECT, related_name="steps")
    state = models.CharField(max_length=10)  # done, kept, undone
    actual = models.FloatField(null=True, blank=True)
    u = models.FloatField(null=True, blank=True, help_text="standard uncertainty of `actual`, when stated")
    position_before = models.ForeignKey(
        Position, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    position_after = models.ForeignKey(
        Position, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    note = models.TextField(blank=True)


class Rating(AppendOnly):
    """Pain or comfort, 0–10 (NRS), by body site."""

    visit = models.ForeignKey(Visit, on_delete=models.PROTECT, related_name="ratings")
    kind = models.CharField(max_length=8)  # pain, comfort
    site = models.CharField(max_length=40)
    moment = models.CharField(max_length=12)  # arrived, left, step (after something was turned)
    step = models.ForeignKey(
        ChangeStep, null=True, blank=True, on_delete=models.PROTECT, related_name="ratings"
    )
    value = models.PositiveSmallIntegerField()
    withdrawn = models.BooleanField(default=False, help_text="from here on nothing stands for this site")


class Edit(models.Model):
    """One save of typed fields, or its undoing or redoing; the rows it wrote are kept beside those they replaced.

    `rows` holds {"table", "station", "key", "side", "old", "new", "words"}; old is None where nothing stood before.
    """

    visit = models.ForeignKey(Visit, on_delete=models.CASCADE, related_name="edits")
    kind = models.CharField(max_length=8)  # typed, undo, redo
    station = models.CharField(max_length=12)
    rows = models.JSONField(default=list)
    at = models.DateTimeField(auto_now_add=True)
    by = models.CharField(max_length=120, blank=True, default=at_the_bench)
    version = models.PositiveIntegerField(default=0, help_text="of the visit since this save; 0: not known")

    class Meta:
        ordering = ("pk",)


class HardwareItem(AppendOnly):
    """A thing of the studio by measures: a part that it can fit, the bar of its printed card, a rule of its own."""

    kind = models.CharField(max_length=16)  # cleat, pedal, spacer, shim, wedge; card; rule
    key = models.CharField(max_length=40)
    label = models.CharField(max_length=120)
    data = models.JSONField(default=dict)
    retired = models.BooleanField(default=False)


class Band(AppendOnly):
    """A band as this studio wants it from now on, and why: a published one changed, or one of its own."""

    key = models.CharField(max_length=60, db_index=True)
    data = models.JSONField(default=dict)
    why = models.TextField(blank=True)
    retired = models.BooleanField(default=False)


class CleatNote(AppendOnly):
    """What happened to the cleats of a rider's pair of shoes: fitted, worn (how far), replaced."""

    rider = models.ForeignKey(Rider, on_delete=models.PROTECT, related_name="cleat_notes")
    visit = models.ForeignKey(Visit, null=True, blank=True, on_delete=models.PROTECT)
    letter = models.CharField(max_length=2, default="A", help_text="of the pair of shoes")
    side = models.CharField(max_length=5, blank=True)
    kind = models.CharField(max_length=10)  # fitted, worn, replaced
    on = models.DateField()
    data = models.JSONField(default=dict)
    medium = models.ForeignKey(Medium, null=True, blank=True, on_delete=models.PROTECT)


class CameraProfile(AppendOnly):
    """A camera that was calibrated, remembered by what its files say of it."""

    name = models.CharField(max_length=120, db_index=True)
    size_px = models.JSONField(default=list)
    data = models.JSONField(default=dict)
    retired = models.BooleanField(default=False)


class Work(models.Model):
    """Long work under way for a visit, so that a page (and a restart) can tell how far it is."""

    visit = models.ForeignKey(Visit, null=True, on_delete=models.CASCADE, related_name="work")
    kind = models.CharField(max_length=40)
    title = models.CharField(max_length=160)
    state = models.CharField(max_length=10, default="waiting")  # waiting, running, done, failed, stopped
    fraction = models.FloatField(default=0)
    message = models.CharField(max_length=300, blank=True)
    error = models.JSONField(null=True, blank=True)
    inputs = models.JSONField(default=dict)
    stop_asked = models.BooleanField(default=False)
    by = models.CharField(max_length=120, blank=True, default=at_the_bench)
    started_at = models.DateTimeField(null=True, blank=True)
    updated_at = models.DateTimeField(auto_now=True)

    class Meta:
        verbose_name_plural = "work"
        ordering = ("pk",)

    @property
    def percent(self) -> int:
        """0–100."""
        return round(100 * self.fraction)

    def as_row(self) -> dict[str, Any]:
        """For pages and `--json`."""
        return {
            "id": self.pk, "kind": self.kind, "title": self.title, "state": self.state,
            "percent": self.percent, "message": self.message, "error": self.error,
        }  # fmt: skip


class PhoneLink(models.Model):
    """A code that lets a phone hand files to one place of one visit, for a while; the token itself is not kept.

    The token follows from `salt` and this studio's secret key, so that the bench can show its code again; what is
    looked up is its SHA-256.
    """

    visit = models.ForeignKey(Visit, on_delete=models.CASCADE, related_name="phone_links")
    purpose = models.CharField(max_length=40, help_text='e.g. "film side right before"')
    about = models.JSONField(default=dict, help_text="what the bench said of it, e.g. the camera's distance")
    salt = models.CharField(max_length=32)
    token_hash = models.CharField(max_length=64, unique=True)
    created_at = models.DateTimeField(auto_now_add=True)
    expires_at = models.DateTimeField()
    closed = models.BooleanField(default=False)

    class Meta:
        ordering = ("pk",)


class Upload(models.Model):
    """A file on its way from a phone: how much of it is here, and the medium that it became."""

    link = models.ForeignKey(PhoneLink, on_delete=models.CASCADE, related_name="uploads")
    name = models.CharField(max_length=200)
    size_bytes = models.PositiveBigIntegerField()
    modified_ms = models.BigIntegerField(
        default=0, help_text="the file's own time stamp: tells it when it comes again"
    )
    sha256 = models.CharField(max_length=64, blank=True, help_text="as the sender states it, when it does")
    received_bytes = models.PositiveBigIntegerField(default=0)
    state = models.CharField(max_length=10, default="receiving")  # then checking, done, failed, cancelled
    error = models.CharField(max_length=300, blank=True)
    medium = models.ForeignKey(Medium, null=True, blank=True, on_delete=models.PROTECT)
    work = models.ForeignKey(Work, null=True, blank=True, on_delete=models.SET_NULL)
    created_at = models.DateTimeField(auto_now_add=True)
    updated_at = models.DateTimeField(auto_now=True)

    class Meta:
        ordering = ("pk",)
        constraints = (
            models.UniqueConstraint(
                fields=("link", "name", "size_bytes", "modified_ms"), condition=models.Q(state="receiving"),
                name="one_upload_under_way_per_file",
            ),
        )  # fmt: skip

    @property
    def percent(self) -> int:
        """0–100; whole only when all of it is here."""
        return int(100 * self.received_bytes / self.size_bytes) if self.size_bytes else 100
