"""Django settings for one practitioner's own computer; several studios set DATABASE_URL."""

from __future__ import annotations

import os
from pathlib import Path

import dj_database_url
from django.core.exceptions import ImproperlyConfigured
from django.utils.functional import lazy
from platformdirs import user_data_path

STUDIO_DIR = Path(os.environ.get("FITWRIGHT_STUDIO") or user_data_path("fitwright", appauthor=False))
BASE_DIR = Path(__file__).resolve().parent

DEBUG = False
ALLOWED_HOSTS = os.environ.get("FITWRIGHT_HOSTS", "127.0.0.1,localhost,[::1],testserver").split(",")


def _secret_key() -> str:
    """A key of this studio's own, made once and kept beside its records (mode 600)."""
    import secrets

    path = STUDIO_DIR / "secret.key"
    try:
        return path.read_text("ascii").strip()
    except FileNotFoundError:
        STUDIO_DIR.mkdir(parents=True, exist_ok=True)
        key = secrets.token_urlsafe(50)
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        with os.fdopen(descriptor, "w", encoding="ascii") as file:
            file.write(key)
        return key


def _time_zone() -> str:
    """Whose midnight ends a day: FITWRIGHT_TIME_ZONE, else this computer's zone; UTC where that has no name."""
    from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

    from tzlocal import get_localzone_name

    named = os.environ.get("FITWRIGHT_TIME_ZONE", "")
    try:
        name = named or get_localzone_name() or "UTC"
        return ZoneInfo(name).key
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        if named:
            raise ImproperlyConfigured(
                f"FITWRIGHT_TIME_ZONE: “{named[:40]}” is no time zone. Name one like Europe/Vienna"
            ) from error
        return "UTC"


# Lazy: importing the settings (for `--help`, say) must not create a studio.
SECRET_KEY = os.environ.get("FITWRIGHT_SECRET_KEY") or lazy(_secret_key, str)()

INSTALLED_APPS = [
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "django.contrib.staticfiles",
    "django_htmx",
    "django_tasks",
    "django_tasks_db",
    "fitwright.records",
    "fitwright.web",
]
MIDDLEWARE = [
    "django.middleware.security.SecurityMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.locale.LocaleMiddleware",
    "fitwright.web.language.Spoken",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
    "fitwright.web.bench.AtTheBench",
    "fitwright.web.units.Lengths",
    "fitwright.web.errors.PlainWords",
]
ROOT_URLCONF = "fitwright.web.urls"
TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "DIRS": [BASE_DIR / "web" / "templates"],
        "APP_DIRS": False,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.messages.context_processors.messages",
                "django.template.context_processors.i18n",
                "fitwright.web.bench.person_here",
                "fitwright.web.units.wished",
            ],
        },
    }
]
DATABASES = {
    "default": dj_database_url.config(
        env="DATABASE_URL", default=f"sqlite:///{(STUDIO_DIR / 'fitwright.sqlite3').as_posix()}"
    )
}
if DATABASES["default"]["ENGINE"].endswith("sqlite3"):
    DATABASES["default"]["OPTIONS"] = {
        "init_command": "PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL; PRAGMA foreign_keys=ON;",
        "transaction_mode": "IMMEDIATE",
        "timeout": 30,
    }
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"
MEDIA_ROOT = STUDIO_DIR / "media"
TASKS = {"default": {"BACKEND": "django_tasks_db.DatabaseBackend"}}

LANGUAGE_CODE = "en"
LANGUAGES = [("en", "English"), ("de", "Deutsch")]
LOCALE_PATHS = [BASE_DIR / "locale"]
FORMAT_MODULE_PATH = ["fitwright.formats"]
LANGUAGE_COOKIE_AGE = 5 * 365 * 24 * 3600
LANGUAGE_COOKIE_SAMESITE = "Lax"
USE_I18N = True
USE_TZ = True
TIME_ZONE = _time_zone()
STATIC_URL = "static/"
STATICFILES_DIRS = [BASE_DIR / "web" / "static"]
WHITENOISE_USE_FINDERS = True
WHITENOISE_AUTOREFRESH = False
MESSAGE_STORAGE = "django.contrib.messages.storage.session.SessionStorage"

CSRF_COOKIE_HTTPONLY = True
CSRF_FAILURE_VIEW = "fitwright.web.errors.forbidden"
SESSION_COOKIE_HTTPONLY = True
X_FRAME_OPTIONS = "DENY"
SECURE_REFERRER_POLICY = "same-origin"
FILE_UPLOAD_MAX_MEMORY_SIZE = 2 * 1024 * 1024
DATA_UPLOAD_MAX_MEMORY_SIZE = 4 * 1024 * 1024
MAX_MEDIUM_BYTES = 4 * 1024**3
PHONE_ADDRESS = os.environ.get("FITWRIGHT_PHONE_ADDRESS", "")
"""Where phones in the house reach this computer ("http://192.168.1.20:8765"); `serve --lan` fills it in."""
