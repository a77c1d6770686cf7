"""What happened to camera and work between the captures, before any stroke is measured."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from calibration.bed import Bed
from calibration.marks import MIN_MARKS
from calibration.plane import PlaneSurface
from calibration.side_by_side import side_by_side
from calibration.tracking import CameraMoved, resolve_camera
from vision.artwork.placing import Rigid
from vision.artwork.strokes import Artwork
from vision.capture.photo import Photo, check_size
from vision.capture.quality import saturated_share, view_of
from vision.measure.offsets import Offset, displacement
from vision.register.ground import ground_for
from vision.register.masks import burned_mask, work_mask
from vision.register.movement import Movement, bed_movement, work_movement
from vision.register.view import View
from vision.register.work import Blank, find_blank
from vision.result import CameraMovement

Array = NDArray[np.float64]
Image = NDArray[np.float32]

_STILL = Rigid(0.0, 0.0, 0.0)
# The burn's smoke and scorch reach about this far from a stroke (common practice, no source).
_SCORCH_MM = 1.5
# The mark is seen in the after capture; before it the work may have lain this far off.
_SLACK_MM = 12.0
# The white paper of a few reference marks is this share of a picture.
_OVEREXPOSED = 0.005
# The study of the main job found the work's movement to err 1.3 times as far as residuals say.
_MOVEMENT_SPREAD = 1.3


@dataclass(frozen=True, eq=False)
class Situation:
    """The captures with their maps, and what moved between them.

    Attributes
    ----------
    surface
        The after capture's map.
    after, before
        Views; before is None where none was given.
    cameras
        (role, movement) of each kind of capture.
    camera_doubt
        Whether the camera may have moved without anything that tells by how much.
    ground
        (h, w) the before capture seen through the after capture's pixels as if the work had
        stayed, or None.
    unwatched
        Whether no reference marks watch the camera.
    bed_motion, bed_covariance
        How the bed itself seems to have moved where the camera did, unwatched; its covariance.
    blank
        The work's edges, or None where they were not looked for.
    motion
        p_after = motion(p_before) of the work, or None where it could not be told.
    movement
        The same as a displacement told at some point.
    movement_why
        Why there is none.
    light_changed, warnings
        For the findings and the report.
    """

    surface: PlaneSurface
    after: View
    before: View | None
    cameras: tuple[tuple[str, CameraMovement], ...]
    camera_doubt: bool
    ground: Image | None
    unwatched: bool = False
    bed_motion: Rigid | None = None
    bed_covariance: Array = field(default_factory=lambda: np.zeros((3, 3)))
    blank: Blank | None = None
    motion: Rigid | None = None
    movement: Offset | None = None
    movement_why: str | None = None
    light_changed: str | None = None
    warnings: tuple[str, ...] = ()

    def ground_around(self, corners_mm: Array) -> Image | None:
        """Return what the after capture's pixels showed before the burn, the work's move undone."""
        if self.before is None or self.motion is None:
            return None
        pixels = self.after.surface.px_from_mm(corners_mm)
        left, top = (int(v) - 40 for v in np.floor(pixels.min(axis=0)))
        right, bottom = (int(v) + 40 for v in np.ceil(pixels.max(axis=0)))
        return ground_for(self.before, self.after, self.motion, (left, top, right, bottom))

    def movement_at(self, point_mm: Array) -> Offset | None:
        """Return the work's movement told at a point."""
        return None if self.movement is None else self.movement.told_at(point_mm)


def see_captures(
    after: Sequence[Photo],
    before: Sequence[Photo],
    bed: Bed,
    height_mm: float,
    thickness_mm: float | None = None,
) -> Situation:
    """Make the captures' maps, with the camera in each solved from the reference marks."""
    given = {role: photos for role, photos in (("before", before), ("after", after)) if photos}
    for photo in (*before, *after):
        check_size(photo, bed.image_size, "the bed file")
    surfaces: dict[str, PlaneSurface] = {}
    cameras: list[tuple[str, CameraMovement]] = []
    unsure = False
    contradicted = False
    warnings: list[str] = []
    # Of large photos these take half a second each.
    solved = side_by_side(lambda photos: resolve_camera(bed, photos[0].grey), given.values())
    for role, (own, moved) in zip(given, solved, strict=True):
        surfaces[role] = PlaneSurface(own, height_mm, thickness_mm)
        cameras.append((role, _camera(moved)))
        uncorrected = moved.moved is True and not moved.corrected
        untold = moved.moved is None or uncorrected
        unsure = unsure or untold
        # Marks that cannot all be true, or lie elsewhere: then the map cannot be trusted.
        at_odds = moved.moved is None and moved.marks_seen >= MIN_MARKS
        contradicted = contradicted or at_odds or uncorrected
        if bed.marks and untold:
            warnings.append(f"the {role} capture: {moved.note}")
    seen_views = side_by_side(lambda role: view_of(given[role], surfaces[role]), given)
    views = dict(zip(given, seen_views, strict=True))
    for role, view in views.items():
        bright = saturated_share(view)
        if bright > _OVEREXPOSED:
            warnings.append(
                f"the {role} capture: {100 * bright:.1f} % of it is overexposed and does not "
                "count: use less light or a shorter exposure"
            )
    seen = views.get("before")
    return Situation(
        surfaces["after"],
        views["after"],
        seen,
        tuple(cameras),
        contradicted,
        None if seen is None else ground_for(seen, views["after"], _STILL),
        unwatched=unsure,
        warnings=tuple(warnings),
    )


def see_work(situation: Situation, artwork: Artwork, common: Rigid, kerf_mm: float) -> Situation:
    """Find the work's edges about the mark, and how the work moved between the captures."""
    x0, y0, x1, y1 = artwork.box_mm
    corners = common.apply(np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]))
    before = situation.before
    if before is None:
        return replace(situation, blank=find_blank(situation.after, corners, common.angle_rad))
    if situation.unwatched:
        situation = _by_the_bed(situation, before, corners)
    found = find_blank(before, corners, common.angle_rad, slack_mm=_SLACK_MM)
    blank = found.without_bed_lines()
    burned = burned_mask(situation.after, artwork, common, kerf_mm / 2 + _SCORCH_MM)
    moved = work_movement(before, situation.after, blank, corners, burned, situation.bed_motion)
    return _with_movement(replace(situation, blank=blank), moved)


def _with_movement(situation: Situation, moved: Movement) -> Situation:
    changed = (
        "The light changed its direction between the captures: the grain looks different."
        if "light_changed" in moved.findings
        else None
    )
    if not moved.measured or moved.covariance is None:
        return replace(situation, movement_why=moved.why, light_changed=changed)
    offset = Offset(
        np.array([moved.dx_mm, moved.dy_mm, moved.turn_rad]),
        np.array(moved.pivot_mm),
        moved.covariance * _MOVEMENT_SPREAD**2,
        situation.bed_covariance,
    )
    return replace(situation, motion=moved.apparent, movement=offset, light_changed=changed)


def _camera(moved: CameraMoved) -> CameraMovement:
    seen_by = None if moved.moved is None else "reference marks"
    return CameraMovement(seen_by, moved.shift_mm, moved.corrected, moved.note, moved.refocus)


def _by_the_bed(situation: Situation, before: View, artwork_corners_mm: Array) -> Situation:
    """Without reference marks, see by the bed itself whether the camera moved in between."""
    after = situation.after
    keep_out = work_mask(after, artwork_corners_mm)
    moved = bed_movement(before, after, keep_out)
    if not moved.measured or moved.covariance is None:
        warning = f"whether the camera moved between the captures could not be seen: {moved.why}"
        return replace(situation, warnings=(*situation.warnings, warning))
    offset = Offset(
        np.array([moved.dx_mm, moved.dy_mm, moved.turn_rad]),
        np.array(moved.pivot_mm),
        moved.covariance,
        np.zeros((3, 3)),
    )
    shown = displacement(offset, artwork_corners_mm)
    surely = shown.worst_mm.interval[0] > 0.0
    note = (
        "the bed itself lies elsewhere than in the before capture, so the camera moved"
        if surely
        else "the bed lies where the before capture shows it, so the camera stood still in between"
    )
    camera = CameraMovement("bed", shown.worst_mm, False, note)
    cameras = tuple((role, camera if role == "after" else c) for role, c in situation.cameras)
    return replace(
        situation,
        cameras=cameras,
        camera_doubt=situation.camera_doubt or surely,
        bed_motion=moved.apparent if surely else None,
        bed_covariance=moved.covariance if surely else np.zeros((3, 3)),
    )
