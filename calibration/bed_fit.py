"""Solve the bed: where the camera is, from boards that lie at known places."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.bed import COUNT, FORM, LENS, PLACE, POSE, SCALE, Bed
from calibration.bed_solve import BoardObservation, Pattern, Solution, Start, solve_places
from calibration.board import BoardPlace
from calibration.errors import WitmarkError
from calibration.lens import Lens
from calibration.pose import Pose
from calibration.quantity import K95

Array = NDArray[np.float64]

# How well a board is laid by hand to a typed place (95 %), assumed unless the user knows better.
AT_U_MM = 0.5
TURN_U_DEG = 0.3

_CORNER_SIGMAS = 6.0
_CORNER_FLOOR_PX = 0.1
_MEDIAN_TO_SIGMA = 1.4826
# How many times its standard deviations a lens is let loose to measure the noise of the corners.
LOOSE = 100.0


@dataclass(frozen=True, eq=False)
class BedFit:
    """A bed with what its making showed.

    Attributes
    ----------
    bed
        The map.
    rms_px
        Per photo, root mean square distance of corners found and projected.
    dropped
        Per photo, number of corners left out as outliers.
    misplaced_mm
        Per photo, how far the board lay from its typed place, against the other photos; zero where
        there is only one place.
    notes
        What the user should know, one line each.
    """

    bed: Bed
    rms_px: tuple[float, ...]
    dropped: tuple[int, ...]
    misplaced_mm: tuple[float, ...]
    notes: tuple[str, ...]


def solve_bed(
    lens: Lens,
    board: Pattern,
    observations: Sequence[BoardObservation],
    *,
    created: str,
    traceability: str | None = None,
    at_u_mm: float | None = None,
    turn_u_deg: float | None = None,
    loose: float = LOOSE,
    start: Start | None = None,
    with_form: bool = False,
    hangs: tuple[float, float] | None = None,
) -> BedFit:
    """Solve the camera's pose on the bed, with the lens as measured prior knowledge.

    One camera sees the board at one place or several. Lens and pose are estimated together (the
    lens file's covariance is the prior), with the relative places of the boards free; then the bed
    frame is laid so that the boards lie as typed as nearly as their uncertainty asks. What a wrong
    place or a wrong size of the board does to the map is kept in parameters of its own.

    Parameters
    ----------
    at_u_mm, turn_u_deg
        U95 of each coordinate and of the turn of a typed place; None: assumed (0.5 mm, 0.3
        degrees), or zero for a burned board, whose place is the machine's own.
    traceability
        Whose millimetres these are; None: told from the board.
    loose
        How many times its standard deviations the lens is let loose to measure the noise.
    start
        A camera nearer to the answer than the middle of what is known beforehand.
    with_form
        Whether the points were laid out by a machine whose axes may differ in scale and angle.
    hangs
        How high the camera hangs over the bed (mm), and the standard uncertainty of that.

    Raises
    ------
    WitmarkError
        Where the corners do not determine the pose.

    Notes
    -----
    Left out: boards that are not flat, errors of the typed height (the surface's height has its
    own term in every budget), and what the lens model cannot follow.
    """
    if not observations:
        raise WitmarkError("bed photos", "none shows the board", "see the reasons above")
    burned = board.place is not None
    place_measured = burned or at_u_mm is not None or turn_u_deg is not None
    at_u = at_u_mm if at_u_mm is not None else (0.0 if burned else AT_U_MM)
    turn_u = turn_u_deg if turn_u_deg is not None else (0.0 if burned else TURN_U_DEG)
    scale_u = 0.0 if burned else board.scale_u95

    places = list(dict.fromkeys(observation.place for observation in observations))
    kept = [np.ones(len(o.ids), bool) for o in observations]
    for _ in range(5):
        # The noise is measured with the lens let loose, so that a lens of another focus shows as a
        # contradiction and not as noise.
        let_loose = lens.with_parameters(lens.parameters, lens.covariance * loose**2)
        noise = solve_places(
            let_loose, board, observations, places, kept, None, start, with_form, hangs
        )
        if start is not None:
            # Of a lens that little is known of the valley is long and bent: go on from here.
            start = Start(noise.lens, noise.pose)
        if not _drop_outliers(observations, kept, noise):
            break
    solution = solve_places(
        lens, board, observations, places, kept, noise.sigma_px, start, with_form, hangs
    )

    pose, place_covariance, pivot, misplaced = _lay_frame(
        solution, places, max(at_u, 1e-6) / K95, max(math.radians(turn_u), 1e-8) / K95
    )
    covariance = np.zeros((COUNT, COUNT))
    camera = slice(LENS.start, FORM.stop)
    covariance[camera, camera] = _turned_covariance(solution, pose)
    covariance[PLACE, PLACE] = place_covariance
    covariance[SCALE, SCALE] = (scale_u / K95) ** 2
    points = np.concatenate([o.place.bed_points(board.points_mm(o.ids)) for o in observations])
    low, high = points.min(axis=0), points.max(axis=0)
    bed = Bed(
        lens=solution.lens,
        pose=pose,
        covariance=covariance,
        pivot_mm=pivot,
        field_mm=(float(low[0]), float(low[1]), float(high[0]), float(high[1])),
        sigma_px=solution.sigma_px,
        traceability=traceability or _traceability(board),
        created=created,
        form=(float(solution.form[0]), float(solution.form[1])),
        place_measured=place_measured,
        scale_measured=burned or board.print_scale_u95 is not None,
    )
    rms = tuple(_rms(r[k]) for r, k in zip(solution.residuals, kept, strict=True))
    by_place = dict(zip(places, misplaced, strict=True))
    per_photo = tuple(by_place[o.place] for o in observations)
    notes = [
        f"{o.name}: the board lay {off:.1f} mm from the place that was typed, against the others"
        for o, off in zip(observations, per_photo, strict=True)
        if off > 2 * at_u and off > 0.2
    ]
    notes += _lens_notes(lens, solution)
    dropped = tuple(int((~k).sum()) for k in kept)
    return BedFit(bed, rms, dropped, per_photo, tuple(notes))


def _lay_frame(
    solution: Solution, places: Sequence[BoardPlace], at_sigma: float, turn_sigma: float
) -> tuple[Pose, Array, tuple[float, float, float], list[float]]:
    """Lay the bed frame so that the boards lie as typed, weighted by how well that is known.

    Returns the pose, the (3, 3) covariance of the frame's place (x, y, turn about the pivot), the
    pivot, and how far in mm each board's origin then lies from its typed place.
    """
    at = np.array([place.at_mm for place in places])
    pivot = at.mean(axis=0)
    lever = at - pivot
    n = len(places)
    # Errors after moving the frame by (gx, gy, gturn) about the pivot are linear in it.
    design = np.zeros((3 * n, 3))
    design[0::3, 0] = design[1::3, 1] = design[2::3, 2] = 1.0
    design[0::3, 2], design[1::3, 2] = -lever[:, 1], lever[:, 0]
    weights = np.tile([1 / at_sigma**2, 1 / at_sigma**2, 1 / turn_sigma**2], n)
    normal = design.T @ (weights[:, None] * design)
    found = solution.offsets.ravel()
    motion = np.linalg.solve(normal, -design.T @ (weights * found))
    left = (found + design @ motion).reshape(n, 3)

    c, s = math.cos(motion[2]), math.sin(motion[2])
    turn = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
    centre = np.array([*pivot, 0.0])
    shift = np.array([motion[0], motion[1], 0.0]) + centre - turn @ centre
    # new = turn old + shift, so old = turn' (new - shift).
    pose = solution.pose.before(turn.T, -turn.T @ shift)
    height = float(np.mean([place.height_mm for place in places]))
    misplaced = [float(off) for off in np.hypot(left[:, 0], left[:, 1])]
    covariance = np.asarray(np.linalg.inv(normal), float)
    return pose, covariance, (float(pivot[0]), float(pivot[1]), height), misplaced


def _turned_covariance(solution: Solution, pose: Pose) -> Array:
    """Carry the covariance of lens and pose from the first place's frame to the bed's.

    The same small turn of the camera's side acts on another translation: s' = s + w x (t' - t).
    """
    x, y, z = pose.translation_mm - solution.pose.translation_mm
    carry = np.eye(len(solution.covariance))
    turn, shift = POSE.start, POSE.start + 3
    carry[shift : shift + 3, turn : turn + 3] = -np.array(
        [[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]]
    )
    return np.asarray(carry @ solution.covariance @ carry.T)


def _drop_outliers(
    observations: Sequence[BoardObservation], kept: list[NDArray[np.bool_]], solution: Solution
) -> bool:
    """Leave out corners far from where they should be; say whether any were."""
    everything = np.concatenate([r[k] for r, k in zip(solution.residuals, kept, strict=True)])
    sigma = _MEDIAN_TO_SIGMA * float(np.median(np.abs(everything)))
    changed = False
    for i, residual in enumerate(solution.residuals):
        near = np.abs(residual).max(axis=1) <= max(_CORNER_SIGMAS * sigma, _CORNER_FLOOR_PX)
        if (kept[i] & ~near).any():
            kept[i] = kept[i] & near
            changed = True
        if kept[i].sum() < 0.7 * len(observations[i].ids):
            raise WitmarkError(
                observations[i].name,
                "more than a third of the corners do not fit the board at the typed place",
                "check --board, and that the board lies flat and still",
            )
    return changed


def _lens_notes(lens: Lens, solution: Solution) -> list[str]:
    """Say where the bed photos contradict the lens file."""
    free = np.flatnonzero(lens.free)
    if not len(free):
        return []
    moved = (solution.lens.parameters - lens.parameters)[free]
    chi2 = float(moved @ np.linalg.solve(lens.covariance[np.ix_(free, free)], moved))
    # Mean of chi-square is the number of parameters; 5 times that is beyond any reasonable chance
    # for the 8 or 9 of a lens.
    if chi2 > 5 * len(free):
        return [
            "the bed photos do not agree with the lens file: focus, zoom or camera mode changed "
            "since, or the board is not flat; calibrate the lens again at this focus"
        ]
    return []


def _traceability(board: Pattern) -> str:
    if board.place is not None:
        return "the machine's own millimetres (burned target)"
    if board.print_scale_u95 is not None or board.print_scale != 1.0:
        return "a steel rule's millimetres (board measured)"
    return "a print's millimetres (scale of the board not measured)"


def _rms(residuals: Array) -> float:
    return float(np.sqrt((residuals**2).sum(axis=1).mean()))
