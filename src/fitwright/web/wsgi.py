"""The WSGI application that `fitwright serve` runs."""

import os

from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "fitwright.settings")
application = get_wsgi_application()
