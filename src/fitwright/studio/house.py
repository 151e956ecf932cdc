"""Opening a studio: its folder, its database brought up to date, its one `Studio` row."""

from __future__ import annotations

from pathlib import Path

from django.conf import settings
from django.core.management import call_command
from django.db import DatabaseError

from fitwright.errors import InputError
from fitwright.records.models import Studio


def open_studio(name: str = "My studio", *, simulated: bool = False) -> Studio:
    """Create the studio's folder when missing, migrate, and return the studio (made on the first call)."""
    folder = Path(settings.STUDIO_DIR)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        call_command("migrate", verbosity=0, interactive=False)
    except (OSError, DatabaseError) as error:
        raise InputError(
            "studio folder", f"cannot be opened: {error}", value=str(folder),
            hint="Name a folder that you may write to (FITWRIGHT_STUDIO or --studio)",
        ) from error  # fmt: skip
    studio, _ = Studio.objects.get_or_create(pk=1, defaults={"name": name, "simulated": simulated})
    return studio
