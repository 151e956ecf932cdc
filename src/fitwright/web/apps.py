"""The web app: one view file and one template folder per station."""

from django.apps import AppConfig


class WebConfig(AppConfig):
    """Pages of the workbench."""

    name = "fitwright.web"
    label = "web"
