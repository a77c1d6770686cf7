"""The sheet a picture is drawn on: a window of the bed with its grid in millimetres."""

from __future__ import annotations

import math
from dataclasses import dataclass
from html import escape

import numpy as np

from calibration.surface import Surface
from cli.report import drawing
from cli.report.drawing import SHEET, Array
from cli.report.raster import Window
from vision.result import Picture

# Frame of a picture on its sheet: room on the left and below for the millimetres of the bed.
LEFT, TOP, ROOM = 62.0, 8.0, 930.0


@dataclass(frozen=True)
class Figure:
    """One picture of the report.

    Attributes
    ----------
    name
        Short key, used as its id on the page.
    title, caption
        Heading, and what is to be seen, in plain words.
    svg
        The drawing, or None where there is nothing to draw; the caption then says why.
    """

    name: str
    title: str
    caption: str
    svg: str | None


@dataclass(frozen=True)
class Sheet:
    """A window of the surface drawn on a sheet, with grid, scale bar and room for a legend."""

    window: Window

    @property
    def units_per_mm(self) -> float:
        """Scale of the drawing."""
        return ROOM / self.window.width_mm

    @property
    def height(self) -> float:
        """Height of the picture, in sheet units."""
        return self.window.height_mm * self.units_per_mm

    @property
    def legend_y(self) -> float:
        """Base line of the legend below the picture."""
        return TOP + self.height + 62

    def units(self, points_mm: Array) -> Array:
        """Map (n, 2) surface mm to (n, 2) sheet units."""
        x = LEFT + (points_mm[:, 0] - self.window.x_mm) * self.units_per_mm
        y = TOP + self.height - (points_mm[:, 1] - self.window.y_mm) * self.units_per_mm
        return np.stack([x, y], axis=1)

    def raster(self, uri: str) -> str:
        """Return the picture in its frame."""
        return drawing.image(uri, LEFT, TOP, ROOM, self.height)

    def clip(self, name: str) -> str:
        """Return the definition of the frame as a clip path."""
        return drawing.clip_rect(name, LEFT, TOP, ROOM, self.height)

    def scale(self) -> str:
        """Return a scale bar in the lower right corner."""
        return drawing.scale_bar(LEFT + ROOM - 24, TOP + self.height - 22, self.units_per_mm, ROOM)

    def grid(self) -> str:
        """Return the bed's grid with its millimetres on the left and below."""
        window = self.window
        step = drawing.nice_below(window.width_mm / 5)
        bottom, right = TOP + self.height, LEFT + ROOM
        lines, labels = [], []
        for x_mm in _steps(window.x_mm, window.width_mm, step):
            x = LEFT + (x_mm - window.x_mm) * self.units_per_mm
            lines.append(f"M{x:.1f} {TOP:.1f}V{bottom:.1f}")
            labels.append(drawing.text(x, bottom + 20, _tick(x_mm), "middle"))
        for y_mm in _steps(window.y_mm, window.height_mm, step):
            y = bottom - (y_mm - window.y_mm) * self.units_per_mm
            lines.append(f"M{LEFT:.1f} {y:.1f}H{right:.1f}")
            if y > TOP + 30:  # the name of the axis stands there
                labels.append(drawing.text(LEFT - 8, y + 6, _tick(y_mm), "end"))
        data = "".join(lines)
        return (
            f'<path d="{data}" stroke="#fff" stroke-opacity=".35" stroke-width="1.4"/>'
            f'<path d="{data}" stroke="#000" stroke-opacity=".3" stroke-width=".6"/>'
            f'<rect x="{LEFT}" y="{TOP}" width="{ROOM}" height="{self.height:.1f}" fill="none" '
            'stroke="#111" stroke-width="1"/>'
            + "".join(labels)
            + drawing.text(right, bottom + 42, "X, mm", "end")
            + drawing.text(LEFT - 8, TOP + 14, "Y, mm", "end")
        )

    def figure(self, name: str, title: str, caption: str, inner: str) -> Figure:
        """Return the finished picture."""
        svg = svg_sheet(name, title, caption, self.legend_y + 14, inner)
        return Figure(name, title, caption, svg)


def svg_sheet(name: str, title: str, caption: str, height: float, inner: str) -> str:
    """Return a white sheet with its title and description for those who cannot see it."""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {SHEET:g} {height:.0f}" role="img" '
        f'aria-labelledby="{name}-title {name}-text">'
        f'<title id="{name}-title">{escape(title)}</title>'
        f'<desc id="{name}-text">{escape(caption)}</desc>'
        f'<rect width="{SHEET:g}" height="{height:.0f}" fill="#fff"/>{inner}</svg>'
    )


def window_of(picture: Picture) -> Window | None:
    """Return the part of the surface to show: the artwork, where it is and should be, and a rim.

    Without a place for the artwork, all that the camera sees; None where it sees nothing.
    """
    motions = [*picture.found.values()]
    if picture.intended is not None:
        motions.append(picture.intended)
    lines = drawing.layer_lines(picture.artwork, None)
    if motions and lines:
        page = np.concatenate([points for points, _ in lines])
        points = np.concatenate([motion.apply(page) for motion in motions])
    else:
        points = _footprint(picture.surface_after)
    if len(points) == 0:
        return None
    low, high = points.min(axis=0), points.max(axis=0)
    size = np.maximum(high - low, 1.0)
    size = size + 2 * max(4.0, 0.08 * float(size.max()))
    # Neither a strip nor a tower: both would waste the page.
    size = np.array([max(size[0], 1.55 * size[1]), max(size[1], size[0] / 2.2)])
    corner = (low + high - size) / 2
    return Window(float(corner[0]), float(corner[1]), float(size[0]), float(size[1]))


def camera_px_per_mm(surface: Surface, window: Window) -> float:
    """Return the camera's own resolution in the middle of a window."""
    middle = [[window.x_mm + window.width_mm / 2, window.y_mm + window.height_mm / 2]]
    jacobian = surface.jacobian_px_per_mm(np.array(middle))[0]
    scale = float(np.sqrt(abs(np.linalg.det(jacobian)))) if np.isfinite(jacobian).all() else 0.0
    # Out of sight: about a webcam over a small bed.
    return scale if math.isfinite(scale) and scale > 0 else 4.0


def _footprint(surface: Surface) -> Array:
    """Return places of the surface that the camera sees, (n, 2) mm."""
    wide, high = surface.image_size
    u, v = np.meshgrid(np.linspace(0, wide - 1, 9), np.linspace(0, high - 1, 9))
    seen = surface.mm_from_px(np.stack([u.ravel(), v.ravel()], axis=1))
    return np.asarray(seen[np.isfinite(seen).all(axis=1)])


def _steps(start: float, length: float, step: float) -> list[float]:
    first, last = math.ceil(start / step), math.floor((start + length) / step)
    return [k * step for k in range(first, last + 1)]


def _tick(value_mm: float) -> str:
    return f"{value_mm:g}".replace("-", "−")
