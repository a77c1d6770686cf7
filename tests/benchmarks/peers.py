"""General-purpose registration on the same scenes, from general-purpose libraries.

Each peer gets the capture and a picture of one layer rendered with nominal kerf and blur, at a
start within 0.3 mm and 0.3 degrees of the truth. It returns the motion from the rendered picture
to the capture, in pixels. Fill minus outline is what two such runs say.
"""

from __future__ import annotations

import importlib
import math
import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from skimage.registration import phase_cross_correlation

from tests.benchmarks.bound import take_of
from tests.benchmarks.reading import NOMINAL_KERF_MM, Reading
from tests.benchmarks.scenes import PIVOT_MM, Drawing, Spec, shapes_of
from tests.benchmarks.tone import grey_of
from tests.unit.drawn_scenes import about, burned, seen_coverage
from vision.artwork.placing import Rigid
from vision.register.view import View


def _simple_itk() -> Any:
    """Return the module, or None: a development dependency that the other peers do without."""
    try:
        return importlib.import_module("SimpleITK")
    except ImportError:
        return None


SITK = _simple_itk()
Array = NDArray[np.float64]
# Capture and rendered picture in, (2, 3) motion from rendered to capture pixels out.
Peer = Callable[[Array, Array], Array]

_NOMINAL_SIGMA_PX = 0.9
_START_MM, _START_DEG = 0.3, 0.3
_GROUND, _CONTRAST = 170.0, 80.0


class NoPeerError(Exception):
    """A peer cannot run here."""


def phase_correlation(capture: Array, model: Array) -> Array:
    """cv2.phaseCorrelate with a Hann window: a shift alone."""
    height, width = (_even_dft(side) for side in model.shape)
    window = cv2.createHanningWindow((width, height), cv2.CV_64F)
    seen, wanted = (picture[:height, :width] for picture in (capture, model))
    # It may overwrite what it is given.
    (du, dv), _ = cv2.phaseCorrelate(wanted.copy(), seen.copy(), window)
    return np.array([[1, 0, du], [0, 1, dv]])


def _even_dft(side: int) -> int:
    """Return the next smaller side that is not padded: padded to an odd one it errs by 0.5 px."""
    while side % 2 or cv2.getOptimalDFTSize(side) != side:
        side -= 1
    return side


def template_and_ecc(capture: Array, model: Array) -> Array:
    """Template matching to the pixel, then cv2.findTransformECC, both band-passed."""
    seen, wanted = (_band(picture).astype(np.float32) for picture in (capture, model))
    margin = max(3, min(model.shape) // 12)
    inner = wanted[margin:-margin, margin:-margin]
    score = cv2.matchTemplate(seen, inner, cv2.TM_CCOEFF_NORMED)
    du, dv = cv2.minMaxLoc(score)[3]
    warp = np.array([[1, 0, du - margin], [0, 1, dv - margin]], np.float32)
    everywhere = np.full(model.shape, 255, np.uint8)
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 200, 1e-7)
    _, found = cv2.findTransformECC(
        wanted, seen, warp, cv2.MOTION_EUCLIDEAN, criteria, everywhere, 1
    )
    return np.asarray(found, float)


def flat_and_phases(capture: Array, model: Array) -> Array:
    """Flattened light, then scikit-image's phase correlation to 1/100 px: a shift alone.

    Without a window and with the phases alone: with either changed it did worse on even seeds.
    """
    seen, wanted = flattened(capture, model), model / _GROUND
    shift, _, _ = phase_cross_correlation(  # type: ignore[no-untyped-call]
        wanted - wanted.mean(), seen - seen.mean(), upsample_factor=100
    )
    return np.array([[1, 0, -shift[1]], [0, 1, -shift[0]]])


def euler_correlation(capture: Array, model: Array) -> Array:
    """SimpleITK's Euler2D motion by correlation of band-passed pictures."""
    if SITK is None:
        raise NoPeerError("SimpleITK is missing: install the development dependencies")
    SITK.ProcessObject.SetGlobalDefaultNumberOfThreads(1)
    fixed = SITK.GetImageFromArray(_band(model).astype(np.float32))
    moving = SITK.GetImageFromArray(_band(capture).astype(np.float32))
    height, width = model.shape
    start = SITK.Euler2DTransform()
    start.SetCenter(((width - 1) / 2, (height - 1) / 2))
    run = SITK.ImageRegistrationMethod()
    run.SetMetricAsCorrelation()
    run.SetMetricSamplingStrategy(run.NONE)
    run.SetInterpolator(SITK.sitkLinear)
    run.SetOptimizerAsRegularStepGradientDescent(1.0, 1e-4, 200)
    run.SetOptimizerScalesFromPhysicalShift()
    run.SetShrinkFactorsPerLevel([2, 1])
    run.SetSmoothingSigmasPerLevel([1, 0])
    run.SetInitialTransform(start, inPlace=True)
    run.Execute(fixed, moving)
    origin, right, down = (np.array(start.TransformPoint(p)) for p in ((0, 0), (1, 0), (0, 1)))
    return np.stack([right - origin, down - origin, origin], axis=1)


PEERS: dict[str, Peer] = {
    "phase correlation": phase_correlation,
    "template + ECC": template_and_ecc,
    "flat + phases": flat_and_phases,
    "Euler2D": euler_correlation,
}


def flattened(capture: Array, model: Array) -> Array:
    """Return (h, w) a capture over a quadratic light that is fitted where the model has no mark."""
    height, width = capture.shape
    u, v = np.meshgrid(np.linspace(-1, 1, width), np.linspace(-1, 1, height))
    terms = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=-1)
    near = cv2.GaussianBlur(_GROUND - model, (0, 0), 4.0) > 0.01 * _CONTRAST
    found = np.linalg.lstsq(terms[~near], capture[~near], rcond=None)[0]
    return np.asarray(capture / (terms @ found))


def _band(picture: Array) -> Array:
    """Keep what is between the noise and the light; wider bands did worse on even seeds."""
    return np.asarray(
        cv2.GaussianBlur(picture, (0, 0), 1.0) - cv2.GaussianBlur(picture, (0, 0), 4.0)
    )


def read_peer(drawing: Drawing, view: View, before: View | None, peer: Peer) -> Reading:
    """Run a peer on every layer of a scene; its time is without rendering.

    With a before capture it sees the after capture divided by that: ground and light fall out.
    """
    capture = np.asarray(view.grey, float)
    if before is not None:
        share = view.linear / np.maximum(before.linear, 1e-3)
        capture = grey_of(0.4 * np.asarray(share, float))
    spec, seconds, errors = drawing.spec, 0.0, []
    for index in range(len(spec.names)):
        start = _start(drawing, index)
        model = _rendered(drawing, index, start)
        began = time.perf_counter()
        try:
            motion = peer(capture, model)
        except (cv2.error, RuntimeError) as error:
            seconds += time.perf_counter() - began
            return Reading(None, None, str(error).strip().splitlines()[-1], seconds)
        seconds += time.perf_counter() - began
        errors.append(_error(drawing, motion, start, spec.poses[index]))
    return Reading(take_of(len(errors)) @ np.concatenate(errors), None, None, seconds)


def ecc_seconds(spec: Spec) -> float:
    """Return the time of a template-plus-ECC run on the first layer as if it lay there alone.

    Beside a second layer it often gives up early, which would be no measure of its time. The
    middle of three runs.
    """
    first = replace(
        spec,
        layers=spec.names[0],
        ground="none",
        contrast=spec.contrast[:1],
        motions=spec.motions[:1],
    )
    drawing = Drawing(first)
    view = drawing.capture()
    runs = [read_peer(drawing, view, None, template_and_ecc).seconds for _ in range(3)]
    return sorted(runs)[1]


def _start(drawing: Drawing, index: int) -> Rigid:
    rng = np.random.default_rng([drawing.spec.seed, index, 11])
    dx, dy, turn = drawing.spec.motions[index]
    away, heading = _START_MM * math.sqrt(rng.uniform()), rng.uniform(0, 2 * math.pi)
    return about(
        PIVOT_MM,
        dx + away * math.cos(heading),
        dy + away * math.sin(heading),
        turn + math.radians(rng.uniform(-_START_DEG, _START_DEG)),
    )


def _rendered(drawing: Drawing, index: int, pose: Rigid) -> Array:
    """Return (h, w) grey levels of one layer alone in even light."""
    name = drawing.spec.names[index]
    shapes = shapes_of(drawing.spec.layers, name)
    parts = [burned(shape, name, pose, NOMINAL_KERF_MM) for shape in shapes]
    cover = seen_coverage(shapely.union_all(parts), drawing.surface, _NOMINAL_SIGMA_PX)
    return _GROUND - _CONTRAST * cover


def _error(drawing: Drawing, motion: Array, start: Rigid, true: Rigid) -> Array:
    """Return (3,) dx mm, dy mm, turn rad beside the truth, about the pivot."""
    pivot = np.array([PIVOT_MM, (PIVOT_MM[0] + 1.0, PIVOT_MM[1])])
    pixels = drawing.surface.px_from_mm(start.apply(true.invert(pivot)))
    found = drawing.surface.mm_from_px(pixels @ motion[:, :2].T + motion[:, 2])
    lever = found[1] - found[0]
    return np.array([*(found[0] - pivot[0]), math.atan2(lever[1], lever[0])])
