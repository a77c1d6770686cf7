"""Least squares of lens, pose and relative places of a board that lies on the bed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from calibration.bed_linear import Linear
from calibration.board import BoardPlace
from calibration.distortion import Model
from calibration.errors import WitmarkError
from calibration.form import form_matrix, per_form
from calibration.lens import COUNT, DISTORTION, Lens
from calibration.lens_solve import plane_pose
from calibration.pose import Pose, project_with_jacobians
from calibration.ties import SIDES, Ties, seen, together

Array = NDArray[np.float64]

# No corner is better than this: a handful of perfect residuals must not make a perfect map. Boards
# of 70 corners by the quietest simulated cameras left 0.0023 px (12 MP; 40 of even seeds).
_SIGMA_FLOOR_PX = 0.003
# A machine's axes differ in scale, and from square, by some tenths of a per cent (common practice,
# no source).
_FORM_SIGMA = 0.005
# Of one overhead view focal length and distance nearly trade: the valley is long, flat and bent.
_ROUNDS = 300
_LEAST_DAMPING = 1e-10
# A step that promises less chi-square than this moves nothing by a hundredth of its sigma.
_GAIN = 1e-6
# Where along a step its bend is taken, and the most of it that is a correction.
_ALONG, _MOST_BEND = 0.1, 0.75
# Powers of the focal length that distortion grows with where it bends pixels alike.
_BY_FOCAL: dict[Model, tuple[int, ...]] = {
    "brown-conrady": (2, 4, 1, 1, 6, 0, 0, 0),
    "rational": (2, 4, 1, 1, 6, 2, 4, 6),
    "fisheye": (2, 4, 6, 8, 0, 0, 0, 0),
}


class Pattern(Protocol):
    """What lies on the bed: a printed board, or a target that the machine burned."""

    @property
    def place(self) -> BoardPlace | None:
        """Where a burned one lies; None for one that is laid down."""

    @property
    def print_scale(self) -> float:
        """True length over drawn length."""

    @property
    def print_scale_u95(self) -> float | None:
        """How well that is known (relative, 95 %); None where nobody said."""

    @property
    def scale_u95(self) -> float:
        """The same, with what is assumed where nobody said."""

    @property
    def shared_px(self) -> float:
        """Standard deviation of what all points of one photo share."""

    def points_mm(self, ids: NDArray[np.integer[Any]] | None = None) -> Array:
        """Return (n, 2) places (x right, y down) of points by number, all by default."""

    def neighbours(self, ids: NDArray[np.integer[Any]]) -> NDArray[np.int64]:
        """Return (m, 2) positions in `ids` of points whose errors have a part in common."""


@dataclass(frozen=True, eq=False)
class BoardObservation:
    """One bed photo of the board at a known place.

    Attributes
    ----------
    name
        The photo.
    ids, px
        (n,) numbers and (n, 2) pixels of the corners.
    place
        Where the board lies.
    weigh
        (n, 2, 2) what a residual is multiplied by, so that both its components are equally sure;
        None where they are.
    """

    name: str
    ids: NDArray[np.int64]
    px: Array
    place: BoardPlace
    weigh: Array | None = None


@dataclass(frozen=True, eq=False)
class Solution:
    """Lens, pose and places, in the frame in which the first place is exact.

    Attributes
    ----------
    lens, pose
        The camera.
    offsets
        (places, 3) true minus typed x mm, y mm, turn rad of each place; zero for the first.
    form
        (2,) of the points' own millimetres (see `form_matrix`); zeros where they are right-angled.
    covariance
        (20, 20) of lens, pose and form.
    residuals
        (n, 2) found minus projected, weighed, per photo.
    sigma_px
        Standard deviation of one coordinate.
    """

    lens: Lens
    pose: Pose
    offsets: Array
    form: Array
    covariance: Array
    residuals: list[Array]
    sigma_px: float


@dataclass(frozen=True, eq=False)
class Start:
    """A camera nearer to the answer than the middle of what is known beforehand.

    Attributes
    ----------
    lens, pose
        The camera; without a pose that of the plane that fits its rays best.
    """

    lens: Lens
    pose: Pose | None = None


def solve_places(
    lens: Lens,
    board: Pattern,
    observations: Sequence[BoardObservation],
    places: Sequence[BoardPlace],
    kept: Sequence[NDArray[np.bool_]],
    sigma_px: float | None,
    start: Start | None = None,
    with_form: bool = False,
    hangs: tuple[float, float] | None = None,
) -> Solution:
    """Estimate lens, pose and the places after the first, by least squares with the lens's prior.

    `sigma_px` is the noise of a corner; None: from the residuals. `start` is nearer to the answer
    than the prior's middle. `with_form`: the points were laid out by a machine whose axes
    may differ in scale and angle. `hangs`: how high the camera hangs over the bed, by a tape, and
    the standard uncertainty of that (mm).
    """
    begin = start or Start(lens)
    first = [o for o in observations if o.place == places[0]]
    pose = begin.pose or start_pose(begin.lens, board, first)
    problem = _Problem(lens, board, observations, places, kept, with_form, hangs)
    state = _State(begin.lens, pose, np.zeros(2), np.zeros((len(places), 3)))
    rows = 2 * sum(int(k.sum()) for k in kept)
    if rows - problem.count < 6:
        raise WitmarkError("bed photos", "show too few corners", "bring the whole board into view")
    now = problem.at(state)
    if now is None:
        raise _no_pose()
    damping = 0.0
    # What a photo's corners share does not average out: no map is surer than that.
    shared = board.shared_px**2 * rows / problem.count
    variance = _SIGMA_FLOOR_PX**2
    for _ in range(_ROUNDS):
        try:
            alone, tied = now.noise(variance, _SIGMA_FLOOR_PX**2)
            alone = sigma_px**2 if sigma_px else alone
            variance = tied * alone + shared
            matrix, side = now.normal(variance)
            damped = matrix + damping * np.diag(np.diag(matrix))
            step = _solved(damped, side)
            if damping > 0:
                step = problem.bent(state, now, step, damped, variance)
        except np.linalg.LinAlgError as error:
            raise _no_pose() from error
        moved = problem.moved(state, step)
        then = None if moved is None else problem.at(moved)
        limit = now.cost(variance) + 1e-9 * (1 + now.cost(variance))
        # Levenberg's damping: a step that makes it worse is tried again, shorter.
        if moved is None or then is None or then.cost(variance) > limit:
            damping = max(8 * damping, _LEAST_DAMPING)
            continue
        state, now = moved, then
        damping = damping / 4 if damping > _LEAST_DAMPING else 0.0
        # The damped step's own length says nothing: what a whole step would gain does.
        if float(side @ _solved(matrix, side)) < _GAIN:
            break
    else:
        raise _no_pose()
    # Points of a real board may have more in common than their sides.
    told = problem.at(state, problem.ties(now.residuals)) or now
    if not sigma_px:
        alone, _ = told.noise(variance, _SIGMA_FLOOR_PX**2)
    inverse = told.scatter(variance, alone, shared)
    covariance = np.zeros((COUNT + 8, COUNT + 8))
    own = np.concatenate([problem.free, np.arange(COUNT, COUNT + 6 + problem.forms)])
    covariance[np.ix_(own, own)] = (inverse + inverse.T)[: len(own), : len(own)] / 2
    found = state.lens.with_parameters(state.lens.parameters, covariance[:COUNT, :COUNT])
    return Solution(
        found,
        state.pose,
        state.offsets,
        state.form,
        covariance,
        now.residuals,
        math.sqrt(alone),
    )


def _solved(matrix: Array, side: Array) -> Array:
    return np.asarray(np.linalg.solve(matrix, side), np.float64)


@dataclass(frozen=True, eq=False)
class _State:
    """What is estimated: lens, pose, form, and the places after the first."""

    lens: Lens
    pose: Pose
    form: Array
    offsets: Array


class _Problem:
    """Boards at places, seen through a lens of which something is known."""

    def __init__(
        self,
        lens: Lens,
        board: Pattern,
        observations: Sequence[BoardObservation],
        places: Sequence[BoardPlace],
        kept: Sequence[NDArray[np.bool_]],
        with_form: bool,
        hangs: tuple[float, float] | None,
    ) -> None:
        """Take what does not change from step to step."""
        self.lens, self.places, self.kept, self.hangs = lens, places, kept, hangs
        self.observations = observations
        self.points = [board.points_mm(o.ids) for o in observations]
        self.pairs = [board.neighbours(o.ids[k]) for o, k in zip(observations, kept, strict=True)]
        self.free = np.flatnonzero(lens.free)
        self.forms = 2 if with_form else 0
        # Lens, pose, form, places after the first.
        self.camera = len(self.free) + 6
        self.first_offset = self.camera + self.forms
        self.count = self.first_offset + 3 * (len(places) - 1)
        f = len(self.free)
        self.known = np.zeros((self.count, self.count))
        if f:
            self.known[:f, :f] = np.linalg.inv(lens.covariance[np.ix_(self.free, self.free)])
        form = slice(self.camera, self.first_offset)
        self.known[form, form] = np.eye(self.forms) / _FORM_SIGMA**2

    def moved(self, state: _State, step: Array) -> _State | None:
        """Return the state after a step; None where there is no such lens."""
        f = len(self.free)
        change = np.zeros(COUNT)
        change[self.free] = step[:f]
        old = state.lens.parameters
        parameters = old + change
        # Where the focal length changes much, distortion stays alike by pixel, not by angle.
        focal, grown = old[0], parameters[0] / old[0]
        if grown <= 0:
            return None
        powers = np.array(_BY_FOCAL[state.lens.model])
        relative = change[DISTORTION] - powers * old[DISTORTION] * change[0] / focal
        parameters[DISTORTION] = (old[DISTORTION] + relative) * grown**powers
        try:
            lens = state.lens.with_parameters(parameters)
        except ValueError:
            return None
        form, offsets = state.form.copy(), state.offsets.copy()
        form[: self.forms] += step[self.camera : self.first_offset]
        offsets[1:] += step[self.first_offset :].reshape(-1, 3)
        return _State(lens, state.pose.moved(step[f : self.camera]), form, offsets)

    def ties(self, residuals: Sequence[Array]) -> Ties:
        """Return what neighbouring points have in common, as residuals show it."""
        left = [residual[keep] for residual, keep in zip(residuals, self.kept, strict=True)]
        px = [o.px[keep] for o, keep in zip(self.observations, self.kept, strict=True)]
        return seen(left, px, self.pairs)

    def at(self, state: _State, ties: Ties = SIDES) -> Linear | None:
        """Return the problem about a state; None where points cannot be seen from there."""
        f = len(self.free)
        matrix, side = np.zeros((self.count, self.count)), np.zeros(self.count)
        residuals, pixels = [], 0.0
        common = np.zeros((self.count, self.count))
        jacobians, whole = [], []
        square = form_matrix(state.form)
        for observation, points, keep, pairs in zip(
            self.observations, self.points, self.kept, self.pairs, strict=True
        ):
            index = self.places.index(observation.place)
            bed, per_offset = _shifted(observation.place, points, state.offsets[index])
            own = bed[:, :2].copy()
            bed[:, :2] = own @ square.T
            px, per_mm, per_pose, per_lens = project_with_jacobians(state.lens, state.pose, bed)
            jacobian = np.zeros((len(points), 2, self.count))
            jacobian[:, :, :f] = per_lens[:, :, self.free]
            jacobian[:, :, f : self.camera] = per_pose
            if self.forms:
                jacobian[:, :, self.camera : self.first_offset] = per_mm[:, :, :2] @ per_form(own)
            if index:
                at = self.first_offset + 3 * (index - 1)
                jacobian[:, :, at : at + 3] = per_mm[:, :, :2] @ square @ per_offset
            residual = observation.px - px
            if observation.weigh is not None:
                residual = np.einsum("nij,nj->ni", observation.weigh, residual)
                jacobian = observation.weigh @ jacobian
            residuals.append(residual)
            common += together(jacobian[keep], observation.px[keep], pairs, ties)
            j, r = jacobian[keep].reshape(-1, self.count), residual[keep].ravel()
            jacobians.append(j)
            whole.append(r)
            matrix += j.T @ j
            side += j.T @ r
            pixels += float(r @ r)
        if not math.isfinite(pixels):
            return None
        away = np.zeros(self.count)
        away[:f] = (self.lens.parameters - state.lens.parameters)[self.free]
        away[self.camera : self.first_offset] = -state.form[: self.forms]
        pull = self.known @ away
        known, misfit = self.known, float(away @ pull)
        if self.hangs is not None:
            height, sigma = self.hangs
            by_motion = np.zeros(self.count)
            by_motion[f : self.camera] = state.pose.height_jacobian
            off = (height - float(state.pose.camera_mm[2])) / sigma
            known = known + np.outer(by_motion, by_motion) / sigma**2
            pull = pull + by_motion * off / sigma
            misfit += off**2
        rows, left = np.concatenate(jacobians), np.concatenate(whole)
        return Linear(matrix, side, known, pull, pixels, misfit, residuals, common, rows, left)

    def bent(
        self, state: _State, now: Linear, step: Array, damped: Array, variance: float
    ) -> Array:
        """Return a step that follows the valley's bend.

        To second order along the step (geodesic acceleration; M. Transtrum and J. Sethna,
        "Improvements to the Levenberg-Marquardt algorithm", 2012); as it was where the bend is
        more than a correction.
        """
        ends = [self.moved(state, sign * _ALONG * step) for sign in (1, -1)]
        seen = [None if end is None else self.at(end) for end in ends]
        if seen[0] is None or seen[1] is None:
            return step
        bend = (seen[0].whole + seen[1].whole - 2 * now.whole) / _ALONG**2
        further = _solved(damped, now.jacobian.T @ bend / variance)
        size = np.sqrt(np.diag(damped))
        if np.linalg.norm(size * further) > _MOST_BEND * np.linalg.norm(size * step):
            return step
        return np.asarray(step + further / 2)


def _shifted(place: BoardPlace, points_mm: Array, offset: Array) -> tuple[Array, Array]:
    """Return (n, 3) bed points of a board that lies off its typed place, and (n, 2, 3) derivatives.

    `offset` is (x mm, y mm, turn rad).
    """
    moved = BoardPlace(
        (place.at_mm[0] + offset[0], place.at_mm[1] + offset[1]),
        place.turn_deg + math.degrees(offset[2]),
        place.height_mm,
    )
    bed = moved.bed_points(points_mm)
    derivative = np.zeros((len(bed), 2, 3))
    derivative[:, 0, 0] = derivative[:, 1, 1] = 1.0
    derivative[:, 0, 2] = -(bed[:, 1] - moved.at_mm[1])
    derivative[:, 1, 2] = bed[:, 0] - moved.at_mm[0]
    return bed, derivative


def start_pose(lens: Lens, board: Pattern, observations: Sequence[BoardObservation]) -> Pose:
    """Return a pose from one place of the board; of a plane's two, the one that fits better."""
    place = observations[0].place
    flat = np.concatenate([board.points_mm(o.ids) for o in observations])
    px = np.concatenate([o.px for o in observations])
    try:
        # The board's own plane, y up as on the bed, so that the solver meets z = 0.
        board_pose = plane_pose(lens, flat * [1.0, -1.0], px)
    except WitmarkError as error:
        raise _no_pose() from error
    # camera <- board plane, and board plane <- bed: q = R' (p - at).
    c, s = math.cos(math.radians(place.turn_deg)), math.sin(math.radians(place.turn_deg))
    back = np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])
    at = np.array([*place.at_mm, place.height_mm])
    pose = board_pose.before(back, -back @ at)
    if pose.camera_mm[2] <= place.height_mm:
        raise WitmarkError(
            "bed photos",
            "put the camera below the board: the picture is mirrored or the board file is not "
            "this board's",
            "switch off mirroring in the camera's program and check --board",
        )
    return pose


def _no_pose() -> WitmarkError:
    return WitmarkError(
        "bed photos",
        "the corners do not determine where the camera is",
        "check that --lens and --board belong to these photos and that the whole board is in view",
    )
