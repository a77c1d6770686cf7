"""The bed: one camera, where it looks from, and how well both are known."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.errors import WitmarkError
from calibration.files import json_bytes, read_json, sha256, write_files
from calibration.form import form_matrix
from calibration.lens import COUNT as LENS_COUNT
from calibration.lens import Lens, lens_from_json
from calibration.machine import MachineAxes, axes_from_json
from calibration.pose import Pose, project_with_jacobians

Array = NDArray[np.float64]

# Order of the calibration parameters in `Bed.covariance`.
LENS = slice(0, LENS_COUNT)
POSE = slice(LENS.stop, LENS.stop + 6)  # small motion of the camera: radians, then millimetres
FORM = slice(POSE.stop, POSE.stop + 2)  # of the bed's own millimetres (see `form_matrix`)
PLACE = slice(FORM.stop, FORM.stop + 3)  # true minus typed place of the board: x, y mm, turn rad
SCALE = slice(PLACE.stop, PLACE.stop + 1)  # true size of the board over the assumed one, minus one
COUNT = SCALE.stop
# What a capture may change of the camera: its pose (as above), logarithm of both focal lengths,
# principal point (px).
TRACKED = 9


@dataclass(frozen=True, eq=False)
class BedMark:
    """A reference mark, as the calibration saw it through its own map.

    Attributes
    ----------
    id
        Number of the marker in its dictionary.
    corners_mm
        (4, 2) bed places of its corners in the order of the detector, at `height_mm`.
    height_mm
        Height of the mark's face above the bed.
    covariance
        (8, 8) covariance of the corners, from the noise of their own pixels alone.
    """

    id: int
    corners_mm: Array
    height_mm: float
    covariance: Array

    @property
    def centre_mm(self) -> tuple[float, float]:
        """The middle of the four corners."""
        x, y = self.corners_mm.mean(axis=0)
        return float(x), float(y)


@dataclass(frozen=True)
class FocusPlane:
    """Where the laser focuses, on a machine whose bed lowers so that every work's face lies there.

    Attributes
    ----------
    height_mm
        Its height above the bed as calibrated.
    u95_mm
        How well that is known (95 %).
    stated
        Whether the user stated how well; otherwise it is assumed.
    """

    height_mm: float
    u95_mm: float
    stated: bool

    def to_json(self) -> dict[str, Any]:
        """Return the part of the bed file that holds a focus plane."""
        return {"height_mm": self.height_mm, "u95_mm": self.u95_mm, "stated": self.stated}


@dataclass(frozen=True, eq=False)
class Bed:
    """Map between pixels and bed millimetres, with its joint covariance.

    Attributes
    ----------
    lens, pose
        The camera: p_camera = pose(square p_bed), pixels = lens(p_camera).
    covariance
        (24, 24), order LENS, POSE, FORM, PLACE, SCALE. Lens, pose and form carry the noise of the
        corners; place and scale are what was typed, and move every measured point in common.
    pivot_mm
        Bed point (x, y, z) about which the board's turn and scale act.
    field_mm
        Box (x_min, y_min, x_max, y_max) that boards and marks covered; the map is extrapolated
        outside it.
    sigma_px
        Standard deviation of one corner's coordinate, from the residuals.
    traceability
        Whose millimetres these are.
    created
        Date of the calibration, ISO 8601.
    marks
        Reference marks that later captures are checked against.
    dictionary
        Marker dictionary of the marks; empty without marks.
    machine
        Machine axes.
    form
        (2,) where the bed's millimetres are a machine's: its scale along X over that along Y less
        one, and the angle by which its Y leans toward its X, both on the bed's axes.
    place_measured, scale_measured
        Whether the user stated how well place and scale are known; otherwise they are assumed.
    focus
        The plane where the laser focuses; None where nobody said. Reference marks do not move
        with a bed that lowers to it: they stay at their own heights.
    tracking_covariance
        (9, 9) covariance of the camera's pose, of the logarithm of its focal length and of its
        principal point (px) in this capture against the calibration; zero in the file.
    id
        Hash of the file's content; kept when a capture's camera replaces the calibration's.
    """

    lens: Lens
    pose: Pose
    covariance: Array
    pivot_mm: tuple[float, float, float]
    field_mm: tuple[float, float, float, float]
    sigma_px: float
    traceability: str
    created: str
    marks: tuple[BedMark, ...] = ()
    dictionary: str = ""
    machine: MachineAxes = field(default_factory=MachineAxes)
    form: tuple[float, float] = (0.0, 0.0)
    place_measured: bool = False
    scale_measured: bool = False
    focus: FocusPlane | None = None
    tracking_covariance: Array = field(default_factory=lambda: np.zeros((TRACKED, TRACKED)))
    id: str = ""

    def __post_init__(self) -> None:
        """Give a new bed its identity; refuse covariances of another shape."""
        if self.covariance.shape != (COUNT, COUNT) or not np.isfinite(self.covariance).all():
            raise ValueError(f"the covariance of a bed is {COUNT} x {COUNT} and finite")
        if not self.id:
            object.__setattr__(self, "id", content_id(self._content()))

    @property
    def image_size(self) -> tuple[int, int]:
        """Width and height in pixels of the captures that it is for."""
        return self.lens.image_size

    @property
    def rvec(self) -> Array:
        """(3,) rotation vector, camera from bed."""
        return self.pose.rvec

    @property
    def tvec(self) -> Array:
        """(3,) translation in millimetres, camera from bed."""
        return self.pose.translation_mm

    @property
    def square(self) -> Array:
        """The (2, 2) right-angled millimetres, all of one length, from the bed's own."""
        return form_matrix(np.array(self.form))

    @property
    def camera_mm(self) -> Array:
        """The (3,) place of the camera's centre in the bed's own millimetres."""
        x, y, z = self.pose.camera_mm
        return np.array([*np.linalg.solve(self.square, [x, y]), z])

    def px_from_mm(self, points_mm: Array, height_mm: float) -> Array:
        """Map (n, 2) bed points at a height to (n, 2) pixels; NaN where the camera cannot see."""
        rotation = self.pose.rotation
        offset = rotation[:, 2] * height_mm + self.pose.translation_mm
        return self.lens.project(points_mm @ (rotation[:, :2] @ self.square).T + offset)

    def px_with_jacobians(self, points_mm: Array) -> tuple[Array, Array, Array, Array]:
        """Map (n, 3) bed points to (n, 2) pixels, with derivatives.

        By the point in the bed's own millimetres (n, 2, 3), the camera's small motion (n, 2, 6) and
        the lens (n, 2, 12).
        """
        wider = np.eye(3)
        wider[:2, :2] = self.square
        px, per_mm, per_pose, per_lens = project_with_jacobians(
            self.lens, self.pose, points_mm @ wider.T
        )
        return px, per_mm @ wider, per_pose, per_lens

    def per_tracked(self, per_pose: Array, per_lens: Array) -> Array:
        """Return (n, 2, 9) derivatives of pixels by what a capture may change of the camera.

        From those by pose (n, 2, 6) and lens (n, 2, 12).
        """
        per_focal = per_lens[:, :, :2] @ self.lens.parameters[:2]
        return np.concatenate([per_pose, per_focal[:, :, None], per_lens[:, :, 2:4]], axis=2)

    def tracked(
        self,
        pose: Pose,
        log_focal: float,
        covariance: Array,
        shift_px: Array | tuple[float, float] = (0.0, 0.0),
    ) -> Bed:
        """Return the bed as one capture's camera sees it.

        Parameters
        ----------
        pose
            The camera's pose in the capture.
        log_focal
            Logarithm of its focal lengths over this bed's.
        covariance
            (9, 9) tracking covariance.
        shift_px
            (2,) its principal point minus this bed's.
        """
        parameters = self.lens.parameters.copy()
        parameters[:2] *= math.exp(log_focal)
        parameters[2:4] += shift_px
        lens = self.lens.with_parameters(parameters)
        return replace(self, lens=lens, pose=pose, tracking_covariance=covariance)

    def mm_from_px(self, points_px: Array, height_mm: float) -> Array:
        """Map (n, 2) pixels to (n, 2) bed points: where the ray meets the plane z = height.

        NaN where the ray misses the plane in front of the camera.
        """
        rays = self.lens.rays(points_px) @ self.pose.rotation  # (n, 3), bed axes
        camera = self.pose.camera_mm
        with np.errstate(divide="ignore", invalid="ignore"):
            depth = (height_mm - camera[2]) / rays[:, 2]
        depth = np.where(depth > 0, depth, np.nan)
        met = camera[:2] + depth[:, None] * rays[:, :2]
        return np.asarray(met @ np.linalg.inv(self.square).T)

    def with_marks(self, marks: tuple[BedMark, ...], dictionary: str) -> Bed:
        """Return the bed with reference marks; its field grows to hold them."""
        corners = np.concatenate([mark.corners_mm for mark in marks])
        low, high = corners.min(axis=0), corners.max(axis=0)
        box = self.field_mm
        grown = (
            min(box[0], float(low[0])),
            min(box[1], float(low[1])),
            max(box[2], float(high[0])),
            max(box[3], float(high[1])),
        )
        return replace(self, marks=marks, dictionary=dictionary, field_mm=grown, id="")

    def with_focus(self, focus: FocusPlane | None) -> Bed:
        """Return the bed with a focus plane."""
        return self if focus is None else replace(self, focus=focus, id="")

    def _content(self) -> dict[str, Any]:
        """Return what the file holds, without its identity."""
        form = {"form": list(self.form)}
        if not any(self.form) and not self.covariance[FORM].any():
            # A board's millimetres are right-angled: nothing is said of their form.
            form = {}
        # Few machines have one: the others' files say nothing of it.
        focus = {} if self.focus is None else {"focus_plane": self.focus.to_json()}
        kept = _kept(self.lens, bool(form))
        return {
            "schema": "witmark.bed/1",
            "created": self.created,
            "traceability": self.traceability,
            "lens": self.lens.to_json(),
            "camera_from_bed": {
                "rvec_rad": self.pose.rvec.tolist(),
                "tvec_mm": self.pose.translation_mm.tolist(),
            },
            "sigma_px": self.sigma_px,
            "covariance": self.covariance[np.ix_(kept, kept)].tolist(),
            **form,
            **focus,
            "pivot_mm": list(self.pivot_mm),
            "field_mm": list(self.field_mm),
            "place_measured": self.place_measured,
            "scale_measured": self.scale_measured,
            "bed_from_machine": self.machine.to_json(),
            "marks": {
                "dictionary": self.dictionary,
                "found": [
                    {
                        "id": mark.id,
                        "corners_mm": mark.corners_mm.tolist(),
                        "height_mm": mark.height_mm,
                        "covariance": mark.covariance.tolist(),
                    }
                    for mark in self.marks
                ],
            }
            if self.marks
            else None,
        }

    def to_json(self) -> dict[str, Any]:
        """Return the content of the bed file."""
        content = self._content()
        return {"schema": content.pop("schema"), "id": self.id, **content}


def content_id(content: dict[str, Any]) -> str:
    """Return 16 hexadecimal digits that stand for what a bed file says.

    Left out are the identity itself and the history, from which nothing is read.
    """
    bare = {key: value for key, value in content.items() if key not in ("id", "history")}
    return sha256(json.dumps(bare, sort_keys=True, separators=(",", ":")).encode())[:16]


def write_bed(
    path: Path, bed: Bed, history: dict[str, Any], beside: Mapping[Path, bytes] | None = None
) -> None:
    """Write a bed file; `history` is the part that only people read (photos, typed places).

    Files `beside` it are written with it, all or none.
    """
    content = json_bytes({**bed.to_json(), "history": history})
    write_files({path: content, **(beside or {})})


def read_bed(path: Path) -> Bed:
    """Read a bed file."""
    return bed_from_json(read_json(path, "bed"), str(path))


def bed_from_json(content: dict[str, Any], where: str) -> Bed:
    """Return the bed that a file's content describes; `where` names the file in complaints.

    A file that was edited by hand (machine axes, say) gets the identity of what it says now.
    """
    machine = axes_from_json(content.get("bed_from_machine"), where)
    try:
        stretch, skew = (float(v) for v in content.get("form", (0.0, 0.0)))
        lens = lens_from_json(content["lens"], where)
        kept = _kept(lens, "form" in content)
        told = np.array(content["covariance"], float)
        if told.shape != (len(kept), len(kept)):
            raise ValueError(f"its covariance is {len(kept)} x {len(kept)}")
        covariance = np.zeros((COUNT, COUNT))
        covariance[np.ix_(kept, kept)] = told
        place = content["camera_from_bed"]
        x, y, z = (float(v) for v in content["pivot_mm"])
        left, low, right, high = (float(v) for v in content["field_mm"])
        marks = content.get("marks") or {"dictionary": "", "found": []}
        bed = Bed(
            lens=lens,
            pose=Pose.from_vectors(
                np.array(place["rvec_rad"], float), np.array(place["tvec_mm"], float)
            ),
            covariance=covariance,
            pivot_mm=(x, y, z),
            field_mm=(left, low, right, high),
            sigma_px=float(content["sigma_px"]),
            traceability=str(content["traceability"]),
            created=str(content["created"]),
            marks=tuple(_mark_from_json(mark) for mark in marks["found"]),
            dictionary=str(marks["dictionary"]),
            machine=machine,
            form=(stretch, skew),
            place_measured=bool(content.get("place_measured", False)),
            scale_measured=bool(content.get("scale_measured", False)),
            focus=_focus_from_json(content.get("focus_plane")),
            id=content_id(content),
        )
    except (KeyError, TypeError, ValueError) as error:
        reason = f"field {error} is missing" if isinstance(error, KeyError) else str(error)
        raise WitmarkError(
            where, f"holds no usable bed ({reason})", "make it again with 'witmark calibrate bed'"
        ) from error
    if not np.isfinite(bed.pose.translation_mm).all() or bed.pose.camera_mm[2] <= 0:
        raise WitmarkError(
            where, "puts the camera below the bed", "make it again with 'witmark calibrate bed'"
        )
    return bed


def _kept(lens: Lens, with_form: bool) -> NDArray[np.int64]:
    """Return which calibration parameters a file tells of."""
    own = np.arange(LENS.start, LENS.start + len(lens.names))
    form = np.r_[FORM] if with_form else np.zeros(0, np.int64)
    return np.concatenate([own, np.r_[POSE], form, np.r_[PLACE, SCALE]])


def _focus_from_json(content: dict[str, Any] | None) -> FocusPlane | None:
    if content is None:
        return None
    height, u95 = float(content["height_mm"]), float(content["u95_mm"])
    if not (math.isfinite(height) and math.isfinite(u95) and u95 >= 0):
        raise ValueError("a focus plane has a height and a U95 of 0 or more")
    return FocusPlane(height, u95, bool(content["stated"]))


def _mark_from_json(content: dict[str, Any]) -> BedMark:
    corners = np.array(content["corners_mm"], float)
    covariance = np.array(content["covariance"], float)
    if corners.shape != (4, 2) or covariance.shape != (8, 8):
        raise ValueError("a mark has 4 corners and an 8 x 8 covariance")
    return BedMark(int(content["id"]), corners, float(content["height_mm"]), covariance)
