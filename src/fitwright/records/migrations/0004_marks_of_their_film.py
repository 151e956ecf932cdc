"""Marked points learn in which film they were picked: the one that lay at their place when they were kept.

Nothing that was said is changed; the digest is added to rows that could not hold it when they were written.
"""

from django.db import migrations


def say_in_which(apps, schema_editor):
    Answer = apps.get_model("records", "Answer")
    for marks in Answer.objects.filter(station="ride", key__startswith="marks ").iterator():
        if not isinstance(marks.value, dict) or "sha256" in marks.value:
            continue
        laid = Answer.objects.filter(
            visit=marks.visit_id, station="ride", key=f"film {marks.key.removeprefix('marks ')}",
            created_at__lte=marks.created_at,
        ).order_by("created_at", "pk").last()  # fmt: skip
        film = laid.value if laid is not None else None
        marks.value = {**marks.value, "sha256": film["sha256"] if film else None}
        marks.save(update_fields=["value"])


class Migration(migrations.Migration):
    dependencies = (("records", "0003_phone_uploads"),)

    operations = (migrations.RunPython(say_in_which, migrations.RunPython.noop),)
