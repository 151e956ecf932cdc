"""Addresses of the workbench."""

from __future__ import annotations

urlpatterns: list[object] = []
