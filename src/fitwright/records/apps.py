"""The records app: what a studio keeps."""

from django.apps import AppConfig


class RecordsConfig(AppConfig):
    """Riders, visits, measurements, media, positions, changes and work in progress."""

    name = "fitwright.records"
    label = "records"
    default_auto_field = "django.db.models.BigAutoField"
