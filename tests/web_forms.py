"""The forms of the workbench as a browser sees them: read from the pages that the list of addresses leads to."""

from __future__ import annotations

from dataclasses import dataclass, field
from html.parser import HTMLParser

from fitwright.web.urls import urlpatterns

TYPED = {"text", "search", "date", "number", "tel", "url", "email", ""}
"""Kinds of input that somebody types into."""


@dataclass
class Form:
    """A form that is posted: where to, what it sends as it stands, which of it is typed, and which are files."""

    action: str = ""
    sends: dict[str, str] = field(default_factory=dict)
    typed: list[str] = field(default_factory=list)
    chosen: list[str] = field(default_factory=list)
    files: list[str] = field(default_factory=list)
    buttons: list[tuple[str, str]] = field(default_factory=list)

    @property
    def name(self) -> str:
        """A form has no name: the action it sends, or its first fields."""
        return self.sends.get("action") or next((v for n, v in self.buttons if n == "action"), "") or "save"


class Forms(HTMLParser):
    """Collects the forms of a page; fields outside a form belong to the one they name with `form`."""

    def __init__(self) -> None:
        super().__init__()
        self.forms: list[Form] = []
        self.by_id: dict[str, Form] = {}
        self.inside: Form | None = None
        self.list_of = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """One more form, or one more field of it."""
        said = {n: v or "" for n, v in attrs}
        if tag == "form" and said.get("method", "").lower() == "post":
            self.inside = Form(said.get("action", ""))
            self.forms.append(self.inside)
            self.by_id[said.get("id", "")] = self.inside
            return
        form = self.by_id.get(said["form"]) if "form" in said else self.inside
        name = said.get("name", "")
        if form is None or "disabled" in said:
            return
        if tag == "option" and self.list_of and (self.list_of not in form.sends or "selected" in said):
            form.sends[self.list_of] = said.get("value", "")
        if not name:
            return
        if tag == "button":
            form.buttons.append((name, said.get("value", "")))
        elif tag == "textarea":
            form.sends[name] = ""
            form.typed.append(name)
        elif tag == "select":
            self.list_of = name
            form.chosen.append(name)
        elif tag == "input":
            self._input(form, name, said)

    def handle_endtag(self, tag: str) -> None:
        """A form or a list ends."""
        if tag == "form":
            self.inside = None
        elif tag == "select":
            self.list_of = ""

    def _input(self, form: Form, name: str, said: dict[str, str]) -> None:
        kind = said.get("type", "")
        if kind == "file":
            form.files.append(name)
        elif kind in ("radio", "checkbox"):
            form.chosen.append(name)
            if "checked" in said:
                form.sends[name] = said.get("value", "on")
        else:
            form.sends[name] = said.get("value", "")
            if kind in TYPED:
                form.typed.append(name)


def forms_of(html: str) -> list[Form]:
    """The posted forms of a page."""
    reader = Forms()
    reader.feed(html)
    return reader.forms


def addresses(keys: dict[str, object]) -> dict[str, str]:
    """Name of every address and the address, filled with the keys that its pattern asks for; the rest is left out.

    `keys`: "visits pk", "riders pk" and so on for a first part of the address, else the name in the pattern.
    """
    found = {}
    for pattern in urlpatterns:
        route = str(pattern.pattern)
        if pattern.name is None or (route.endswith("/") and pattern.name not in ("visit", "house")):
            continue
        first = route.split("/")[0]
        asked = pattern.pattern.converters
        given = {n: keys.get(f"{first} {n}", keys.get(n)) for n in asked}
        if all(v is not None for v in given.values()):
            found[pattern.name] = "/" + _filled(route, given)
    return found


def _filled(route: str, given: dict[str, object]) -> str:
    for name, value in given.items():
        start = route.index("<")
        end = route.index(">") + 1
        assert route[start:end].rstrip(">").split(":")[-1].strip("<") == name
        route = route[:start] + str(value) + route[end:]
    return route


def assert_said_at(answer, box: str, said: str) -> None:
    """What was sent is refused, and `said` stands in the complaint whose id is `box`."""
    assert answer.status_code == 422
    text = answer.content.decode()
    assert said in text[text.index(f'id="{box}"') :][:300]
