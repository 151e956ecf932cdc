"""A single-person landmark network from a file that the user gives: looked at, checked by its digest, run by OpenCV.

Such a network reads an upright square of 256 × 256 pixels with one person in it and tells 33 places of the body (39
with the two ends of a circle round it and four of the hands), five numbers each: across, down, depth, visibility and
presence, the first two in pixels of that square; and how probably there is a person. Nothing is ever downloaded. A
file is used when its SHA-256 is one of `KNOWN`, or the one that the user stated; one of unknown digest is tried in a
process of its own first, so that a damaged file cannot take this one along.
"""

from __future__ import annotations

import hashlib
import json
import subprocess
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from threading import Lock
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from fitwright.errors import InputError
from fitwright.quantity import Floats

Picture = NDArray[np.uint8]
SIDE_PX = 256
NUMBERS = 5
COUNTS = (33, 39)
LARGEST_BYTES = 200 * 1024 * 1024
TRIAL_S = 60.0
KINDS = {"tflite": "TFLite", "onnx": "ONNX"}
OTHERS = {
    b"\xff\xd8\xff": "a picture (JPEG)", b"\x89PNG": "a picture (PNG)", b"GIF8": "a picture (GIF)",
    b"PK\x03\x04": "an archive", b"%PDF": "a PDF", b"version http": "a pointer to a file that is not here",
}  # fmt: skip
TAKEN = "a single-person landmark network in TFLite or ONNX form"


@dataclass(frozen=True)
class Licence:
    """What is known of a file by its digest: what it is, and under which licence its publisher gives it."""

    what: str
    licence: str


KNOWN: Mapping[str, Licence] = {
    "e9a5c5cb17f736fafd4c2ec1da3b3d331d6edbe8a0d32395855aeb2cdfd64b9f": Licence(
        "39 places of one person, TFLite, 16-bit weights, 6 MB", "Apache-2.0"
    ),
}
"""SHA-256 → file that was looked at and run here."""


@dataclass(frozen=True)
class NetFile:
    """A network's file as it lies there: name, size, SHA-256, kind ("tflite", "onnx"), licence when it is known."""

    path: Path
    name: str
    size_bytes: int
    sha256: str
    kind: str
    licence: str = ""

    @property
    def known(self) -> bool:
        """Whether its digest is one of those that were tried here."""
        return self.sha256 in KNOWN

    def to_json(self) -> dict[str, Any]:
        """`{"name", "size_bytes", "sha256", "kind", "licence"}`."""
        return {k: getattr(self, k) for k in ("name", "size_bytes", "sha256", "kind", "licence")}


@dataclass(frozen=True)
class Landmarks:
    """What the network says of one square: (N, 2) places in its pixels, N 33 or 39, and the probability of a person.

    Its own visibility is not kept: it says nothing about the error (rank correlation 0.06 in our trial).
    """

    uv_px: Floats
    score: float


def describe(path: Path, name: str = "") -> NetFile:
    """What a file is. Raises InputError when it is missing, empty, too large, or no network."""
    shown = name or path.name
    try:
        size = path.stat().st_size
        if not 0 < size <= LARGEST_BYTES:
            raise InputError("model", f"{shown} is {'empty' if not size else 'too large'}", value=f"{size} bytes",
                             allowed=f"1 to {LARGEST_BYTES} bytes", hint=f"Give {TAKEN}")  # fmt: skip
        with path.open("rb") as file:
            head = file.read(64)
            file.seek(0)
            digest = hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise InputError("model", f"{shown} cannot be read: {error.strerror}") from error
    kind = _kind(head)
    if not kind:
        raise InputError("model", f"{shown} is {_seems(head)}", allowed=TAKEN)
    known = KNOWN.get(digest)
    return NetFile(path, shown, size, digest, kind, known.licence if known else "")


def _kind(head: bytes) -> str:
    """By the first bytes: a TFLite file's identifier, or an ONNX file's first field (its version, 1 to 20)."""
    if head[4:8] == b"TFL3":
        return "tflite"
    return (
        "onnx"
        if len(head) > 8 and head[0] == 0x08 and 1 <= head[1] <= 20 and head[2] in b"\x12\x1a\x3a"
        else ""
    )


def _seems(head: bytes) -> str:
    """What a file is that is no network, by its first bytes."""
    for magic, words in OTHERS.items():
        if head.startswith(magic):
            return f"{words}, no network"
    return "a film, no network" if head[4:8] == b"ftyp" else "no network that is known here"


class LandmarkNet:
    """A network ready to look. One at a time looks through it: OpenCV's networks are not to be shared by threads."""

    def __init__(self, path: Path, kind: str) -> None:
        self._lock = Lock()
        with _silent():
            self._net, self._names = _load(path, kind)
            self._channels_last = self._takes_channels_last()

    def _takes_channels_last(self) -> bool:
        """The order of the input's axes, by trying both: some converters leave colours last."""
        for self._channels_last in (False, True):
            try:
                self.look(np.zeros((SIDE_PX, SIDE_PX, 3), np.uint8))
            except cv2.error:
                continue
            return self._channels_last
        raise InputError("model", f"does not take a picture of {SIDE_PX} × {SIDE_PX} pixels in three colours",
                         allowed=TAKEN)  # fmt: skip

    def look(self, square: Picture) -> Landmarks:
        """Landmarks in an upright square (256, 256, 3), RGB.

        Raises:
            InputError: what comes out has another shape.
        """
        x = square.astype(np.float32) / 255.0
        blob = x if self._channels_last else x.transpose(2, 0, 1)
        with self._lock:
            self._net.setInput(np.ascontiguousarray(blob[None]))
            out = [np.array(o) for o in self._net.forward(self._names)]
        return read_outputs(out)


def read_outputs(outputs: Sequence[NDArray[np.float32]]) -> Landmarks:
    """The two outputs that count, found by their sizes; masks, heat maps and places in metres are passed over.

    Raises:
        InputError: none or several fit, or the score is no probability.
    """
    landmarks = [o for o in outputs if o.size in {NUMBERS * n for n in COUNTS}]
    scores = [o for o in outputs if o.size == 1]
    if len(landmarks) != 1 or len(scores) != 1:
        shapes = ", ".join("×".join(map(str, o.shape)) for o in outputs)
        raise InputError("model", "gives other numbers than a landmark network", value=shapes,
                         allowed=f"33 or 39 places of {NUMBERS} numbers each, and one score")  # fmt: skip
    places = landmarks[0].reshape(-1, NUMBERS)[:, :2].astype(np.float64)
    score = float(scores[0].ravel()[0])
    if not (np.isfinite(places).all() and 0.0 <= score <= 1.0):
        raise InputError("model", "its score is no probability, or a place is no number", value=f"{score:g}",
                         allowed="a score of 0 to 1")  # fmt: skip
    return Landmarks(places, score)


@contextmanager
def _silent() -> Iterator[None]:
    """OpenCV tells on standard error what it also raises."""
    level = cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)
    try:
        yield
    finally:
        cv2.utils.logging.setLogLevel(level)


def _load(path: Path, kind: str) -> tuple[Any, tuple[str, ...]]:
    """OpenCV's network and the names of its outputs; the classic engine where there is a choice (5.0 and later): the
    new one does not run such files."""
    engine = getattr(cv2.dnn, "ENGINE_CLASSIC", None)
    read = cv2.dnn.readNetFromTFLite if kind == "tflite" else cv2.dnn.readNetFromONNX
    try:
        net = read(str(path)) if engine is None else read(str(path), engine)
        return net, tuple(net.getUnconnectedOutLayersNames())
    except cv2.error as error:
        raise InputError("model", f"is damaged, cut short, or of a kind that OpenCV {cv2.__version__} does not run",
                         hint="Copy it again") from error  # fmt: skip


def open_net(file: NetFile, sha256: str = "") -> LandmarkNet:
    """The network of a file whose digest is known here or is the one stated.

    Args:
        sha256: the digest that the user was told and stated, or the studio noted; empty: known files only.

    Raises:
        InputError: another digest, or a file that is none of such a network.
    """
    if sha256 and sha256.lower() != file.sha256:
        raise InputError("model", f"{file.name} is not the file that was noted", value=file.sha256,
                         allowed=f"SHA-256 {sha256.lower()}", hint="Copy it again, or add the new one")  # fmt: skip
    if not sha256 and not file.known:
        raise InputError("model", f"{file.name} ({file.size_bytes} bytes) is not one of the files that are known",
                         value=f"SHA-256 {file.sha256}",
                         hint="When it is the file you mean, state this digest")  # fmt: skip
    if not file.known:
        try_apart(file)
    return LandmarkNet(file.path, file.kind)


def try_apart(file: NetFile) -> None:
    """Load and run a file once in a process of its own.

    Raises:
        InputError: as that process says, or that it broke down or did not end.
    """
    command = [sys.executable, "-m", __name__, str(file.path), file.kind]
    try:
        done = subprocess.run(command, capture_output=True, timeout=TRIAL_S, check=False)
        told = json.loads(done.stdout or b"null")
    except (subprocess.TimeoutExpired, ValueError):
        told = None
    if not isinstance(told, dict):
        raise InputError("model", f"{file.name} broke down when it was tried", allowed=TAKEN)
    if told.get("problem"):
        raise InputError(
            "model", f"{file.name} {told['problem']}", value=told["value"], allowed=told["allowed"] or TAKEN
        )


def _trial(path: str, kind: str) -> dict[str, Any]:
    try:
        LandmarkNet(Path(path), kind)
    except InputError as error:
        return {"problem": error.problem, "value": error.value, "allowed": error.allowed}
    return {"problem": ""}


if __name__ == "__main__":
    print(json.dumps(_trial(*sys.argv[1:3])))
