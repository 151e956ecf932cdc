"""A calibrated camera: its lens with covariance, what each picture contributed, and what makes it weak."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from fitwright.quantity import Z95, Floats, Measured
from fitwright.vision.lens import LensPrior
from fitwright.vision.picture import Picture

FEWEST, ADVISED = 3, 12
OUTLIER_RATIO = 2.5
"""A view whose rms exceeds the others' median so many times is proposed to be left out (our choice)."""
REACH, TILT_DEG, U_FOCAL = 0.7, 15.0, 0.02
"""Below this share of the half diagonal covered, below this tilt of the board, above this relative u of the focal
length a calibration is called weak (our choice)."""
EDGE = 0.8
USUAL_BEND = (0.3, 0.3, 0.1)
"""Standard uncertainty of k1, k2, k3 around zero for any lens short of a fisheye (our choice)."""
TERMS = ("log focal", "centre_u", "centre_v", "k1", "k2", "k3", "p1", "p2")


@dataclass(frozen=True)
class View:
    """A board seen in one picture.

    Attributes: picture and board names; points_px (n, 2) in the sensor's frame; points_mm (n, 2) on the board;
    residuals_px (n, 2), seen minus fitted, and tilt_deg of the board against the picture, after the fit.
    """

    picture: str
    board: str
    points_px: Floats
    points_mm: Floats
    residuals_px: Floats
    tilt_deg: float = 0.0

    @property
    def rms_px(self) -> float:
        """Root mean square distance of its corners from the fit."""
        return _rms([self])

    def to_json(self) -> dict[str, Any]:
        """As stored: pixels to a thousandth."""
        return {
            "picture": self.picture, "board": self.board, "points_px": np.round(self.points_px, 3).tolist(),
            "points_mm": self.points_mm.tolist(), "residuals_px": np.round(self.residuals_px, 3).tolist(),
            "tilt_deg": self.tilt_deg,
        }  # fmt: skip

    @staticmethod
    def from_json(data: Mapping[str, Any]) -> View:
        """The inverse."""
        points, mm, residuals = (np.array(data[k]) for k in ("points_px", "points_mm", "residuals_px"))
        return View(data["picture"], data["board"], points, mm, residuals, float(data["tilt_deg"]))


@dataclass(frozen=True)
class CameraCalibration:
    """A calibrated camera.

    Attributes:
        lens: (8,) see `fitwright.vision.lens`; covariance (8, 8). size_px: of the sensor's picture.
        views: as fitted. unusable: picture name → why nothing was found in it. left_out: pictures left out on wish.
        camera_name, focal_35mm: as the files state them ("" and None when they do not).
    """

    lens: Floats
    covariance: Floats
    size_px: tuple[int, int]
    views: tuple[View, ...]
    camera_name: str = ""
    focal_35mm: float | None = None
    unusable: Mapping[str, str] = field(default_factory=dict)
    left_out: tuple[View, ...] = ()

    @property
    def focal_px(self) -> Measured:
        """Focal length, px."""
        f = math.exp(self.lens[0])
        return Measured(f, f * float(self._u[0]), "px", self.method)

    @property
    def centre_px(self) -> tuple[Measured, Measured]:
        """Principal point, px of the sensor's picture."""
        u, v = (Measured(float(self.lens[i]), float(self._u[i]), "px", self.method) for i in (1, 2))
        return u, v

    @property
    def terms(self) -> dict[str, Measured]:
        """k1, k2, k3, p1, p2."""
        return {
            name: Measured(float(self.lens[i]), float(self._u[i]), "1", self.method)
            for i, name in enumerate(TERMS) if i >= 3
        }  # fmt: skip

    @property
    def camera_matrix(self) -> Floats:
        """(3, 3)."""
        f, (cx, cy) = math.exp(self.lens[0]), self.lens[1:3]
        return np.array([[f, 0, cx], [0, f, cy], [0, 0, 1.0]])

    @property
    def distortion(self) -> Floats:
        """(5,) k1, k2, p1, p2, k3: OpenCV's order."""
        return np.asarray(self.lens[[3, 4, 6, 7, 5]], dtype=np.float64)

    @property
    def method(self) -> str:
        """In a few words."""
        return f"camera calibrated from {len(self.by_picture)} pictures"

    @property
    def rms_px(self) -> float:
        """Reprojection error over all corners."""
        return _rms(self.views)

    @property
    def by_picture(self) -> dict[str, float]:
        """Reprojection rms of each picture, px."""
        names = dict.fromkeys(v.picture for v in self.views)
        return {n: _rms([v for v in self.views if v.picture == n]) for n in names}

    @property
    def worst(self) -> str:
        """The picture with the largest rms."""
        return max(self.by_picture, key=lambda n: self.by_picture[n])

    @property
    def outlier(self) -> str:
        """The worst picture when it misses by far more than the others, else ""."""
        others = [rms for name, rms in self.by_picture.items() if name != self.worst]
        clear = self.by_picture[self.worst] > OUTLIER_RATIO * float(np.median(others))
        return self.worst if clear and len(others) >= FEWEST else ""

    @property
    def reach(self) -> float:
        """How far from the picture's middle corners were seen, as a share of the half diagonal."""
        far = max(
            np.linalg.norm(v.points_px - (np.array(self.size_px) - 1) / 2, axis=1).max() for v in self.views
        )
        return float(2 * far / math.hypot(*self.size_px))

    @property
    def usable(self) -> bool:
        """Whether it knows focal length and lens better than one knows them of a camera nobody calibrated."""
        return bool(self._u[0] <= U_FOCAL) and self._bends_better_known

    @property
    def _bends_better_known(self) -> bool:
        """How far the radial terms move a point at `EDGE` of the half diagonal, against what a guess knows of it."""
        r = EDGE * math.hypot(*self.size_px) / 2 / math.exp(self.lens[0])
        powers = np.array([r**3, r**5, r**7])
        guess = LensPrior.of_picture(self.size_px, None).covariance
        known, guessed = (powers @ C[3:6, 3:6] @ powers for C in (self.believed[1], guess))
        return bool(known < guessed)

    @property
    def notes(self) -> tuple[str, ...]:
        """What makes it weak and what to do, in words."""
        many, notes = len(self.by_picture), []
        if self.outlier:
            rms, name = self.by_picture[self.outlier], self.outlier
            notes.append(f"{name} misses by {rms:.2f} px rms, far more than the others: leave it out")
        if many < ADVISED:
            notes.append(f"{many} pictures are few: {ADVISED} or more, from different sides, make it surer")
        if max(v.tilt_deg for v in self.views) < TILT_DEG:
            notes.append("the board was hardly tilted: photograph it from the side, too, 30 to 45° off")
        if self.reach < REACH:
            notes.append(
                f"the board never came near the picture's corners (corners reach {self.reach:.0%} of the way): "
                "move it there in some pictures"
            )
        if not self._bends_better_known:
            notes.append(
                "the lens's bending is known no better than by a guess, so it is not used: add pictures"
            )
        if self._u[0] > U_FOCAL:
            notes.append(
                f"the focal length is known to {Z95 * self._u[0]:.0%} only, so it is not used: add tilted pictures"
            )
        return tuple(notes)

    @property
    def _u(self) -> Floats:
        return np.sqrt(np.diag(self.covariance))

    @property
    def believed(self) -> tuple[Floats, Floats]:
        """Lens and covariance with `USUAL_BEND` as a belief: where no corner was seen the polynomial is free."""
        C, R = self.covariance, np.diag(np.square(USUAL_BEND))
        gain = C[:, 3:6] @ np.linalg.inv(C[3:6, 3:6] + R)
        return self.lens - gain @ self.lens[3:6], C - gain @ C[3:6]

    def prior(self, picture: Picture) -> LensPrior:
        """What this calibration says of a picture by the same camera, held in any way, of any size of that shape."""
        return LensPrior.of_calibration(
            *self.believed, self.size_px, picture.turn, picture.size_px, self.method
        )

    def to_json(self, with_corners: bool = True) -> dict[str, Any]:
        """Everything, so that it can be remembered; without corners what a program wants to read."""
        u, v = self.centre_px
        return {
            "camera": self.camera_name, "focal_35mm": self.focal_35mm, "size_px": list(self.size_px),
            "focal_px": self.focal_px.to_json(), "centre_px": [u.to_json(), v.to_json()],
            "distortion": {name: m.to_json() for name, m in self.terms.items()},
            "camera_matrix": self.camera_matrix.tolist(), "rms_px": self.rms_px,
            "pictures": self.by_picture, "worst": self.worst, "outlier": self.outlier,
            "left_out": sorted({v.picture for v in self.left_out}), "unusable": dict(self.unusable),
            "notes": list(self.notes),
            "lens": {"terms": list(TERMS), "mean": self.lens.tolist(), "covariance": self.covariance.tolist()},
        } | ({"views": [v.to_json() for v in self.views],
              "views_left_out": [v.to_json() for v in self.left_out]} if with_corners else {})  # fmt: skip

    @staticmethod
    def from_json(data: Mapping[str, Any]) -> CameraCalibration:
        """The inverse of `to_json` with corners."""
        size = data["size_px"]
        return CameraCalibration(
            np.array(data["lens"]["mean"]), np.array(data["lens"]["covariance"]), (int(size[0]), int(size[1])),
            tuple(View.from_json(v) for v in data["views"]), str(data["camera"]), data["focal_35mm"],
            dict(data["unusable"]), tuple(View.from_json(v) for v in data["views_left_out"]),
        )  # fmt: skip


def _rms(views: Sequence[View]) -> float:
    return float(np.sqrt(np.mean(np.sum(np.concatenate([v.residuals_px for v in views]) ** 2, axis=1))))
