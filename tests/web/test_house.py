"""The studio's page: backup, room on the disk, work done; the commands say the same."""

from __future__ import annotations

import pytest
from django.urls import reverse
from django.utils import timezone

from fitwright.records.models import Work

pytestmark = pytest.mark.django_db


def text(client, status: int = 200, **posted: str) -> str:
    page = client.post(reverse("house"), posted) if posted else client.get(reverse("house"))
    assert page.status_code == status
    return page.content.decode()


def test_it_says_that_there_is_no_backup_yet(client):
    page = text(client)
    assert "There is no backup yet" in page
    assert "left on this disk" in page


def test_a_studio_s_folder_that_is_not_there_yet_is_no_failure(client, settings, tmp_path):
    """The records may lie elsewhere (DATABASE_URL): the folder is made when something is kept in it."""
    settings.STUDIO_DIR = tmp_path / "not" / "made"
    settings.MEDIA_ROOT = settings.STUDIO_DIR / "media"
    page = text(client)
    assert "left on this disk" in page
    assert str(settings.STUDIO_DIR) in page


def test_a_folder_that_is_none_is_said_at_the_box_and_kept(client):
    page = text(client, 422, action="backup", folder="/nowhere <b>")
    assert "is no folder of this computer" in page
    assert 'value="/nowhere &lt;b&gt;"' in page


def test_backup_is_queued_once(client, tmp_path):
    assert client.post(reverse("house"), {"action": "backup", "folder": str(tmp_path)}).status_code == 302
    assert "waits its turn" in text(client)
    assert "being written already" in text(client, 422, action="backup", folder=str(tmp_path))


def test_waiting_work_is_stopped(client, visit):
    work = Work.objects.create(kind="ride", title="Following the points", state="waiting", visit=visit)
    client.post(reverse("house"), {"action": "stop", "work": str(work.pk)})
    work.refresh_from_db()
    assert work.state == "stopped"


def test_a_backup_that_went_away_is_said(client):
    Work.objects.create(
        kind="backup",
        title="Backup a.zip",
        state="done",
        inputs={"file": "/gone/a.zip"},
        started_at=timezone.now(),
    )
    assert "not there any more" in text(client)


def test_a_failure_is_said_with_its_reason(client):
    Work.objects.create(
        kind="backup", title="Backup a.zip", state="failed", error={"error": "disk: has 1.0 MB left"}
    )
    page = text(client)
    assert "was not written" in page
    assert "has 1.0 MB left" in page


def test_an_unknown_action_is_refused(client):
    assert "not one of this page" in text(client, 422, action="delete")
