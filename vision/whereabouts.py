"""Where the artwork lies: at its place, or else elsewhere, turned, mirrored or of another size."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vision.artwork.placing import Rigid, anchor_point, bed_from_page
from vision.artwork.strokes import Artwork
from vision.register.locate import REACH_MM, REACH_RAD, Located, locate
from vision.register.view import NotFound, View
from vision.situation import Situation

Image = NDArray[np.float32]

# An artwork that explains this share of what is seen about it is plainly there: of 26 simulated
# jobs in place two, with outlines alone, lay below, and mirrored ones reached 0.7. Where it
# explains so much it is named though it lies elsewhere; one turned by half reached 0.84.
_PLAINLY = 0.8
_SURELY = 0.9
# No other place, turn or mirroring needs to be tried beside one that explains so much.
_BEYOND_DOUBT = 0.95
# A drawing of other units than it was burned in: 72, 90 or 96 px to the inch, a px, an inch or a
# centimetre for a millimetre (common practice, no source). Smaller ones are quicker to look for.
_SIZES: tuple[float, ...] = (
    *(72 / 96, 25.4 / 96, 25.4 / 72, 90 / 96, 1 / 25.4, 1 / 10),
    *(96 / 72, 96 / 90, 96 / 25.4, 72 / 25.4, 10.0, 25.4),
)
# It explains so much more than what was drawn (four simulated artworks read at five wrong sizes
# each: 0.83 or more against 0.57 or less); a mark as small as that fits many a spot.
_PLAINLY_MORE = 0.2
_TOO_SMALL_MM = 8.0
# Units change no turn: so far from the one that was told it is looked for.
_SIZE_REACH_RAD = math.radians(3.0)
# What would fill more of the camera's view than this takes half a minute to look for.
_MOST_OF_VIEW = 0.75


@dataclass(frozen=True, eq=False)
class Wanted:
    """What is looked for, and where it should lie.

    Attributes
    ----------
    artwork
        What was intended.
    at_mm, turn_deg, anchor, mirror
        Where it should be; at_mm None: nobody says where.
    kerf_mm, negative
        Width of the burned line; whether the ground is burned and the mark was left standing.
    """

    artwork: Artwork
    at_mm: tuple[float, float] | None
    turn_deg: float
    anchor: str | None
    mirror: bool
    kerf_mm: float
    negative: bool

    @property
    def pose(self) -> Rigid | None:
        """Return where it should be (bed <- page), or None where nobody says."""
        if self.at_mm is None:
            return None
        box = self.artwork.box_mm
        return bed_from_page(box, self.at_mm, self.turn_deg, self.anchor, self.mirror)

    @property
    def _start(self) -> Rigid:
        """Where it should be, or any place with its turn."""
        box, anchor = self.artwork.box_mm, self.anchor or "centre"
        anywhere = bed_from_page(box, (0.0, 0.0), self.turn_deg, anchor, self.mirror)
        return self.pose or anywhere

    def found(self, situation: Situation) -> Located | NotFound:
        """Return where it lies; where it is not at its place, the reason hints at where else."""
        grounds = (None,) if situation.ground is None else (situation.ground, None)
        near = self._looked_for(situation, self._start, self.at_mm is None, grounds)
        explained = 0.0 if isinstance(near, NotFound) else near.explained
        if explained > _PLAINLY:
            return near
        # A glare, or a strong print, may hide from the search what is plain beside it.
        flat = self._looked_for(situation, self._start, self.at_mm is None, grounds, flattened=True)
        if not isinstance(flat, NotFound) and flat.explained > explained:
            return flat
        other_size = self._of_another_size(situation, explained)
        if other_size is not None:
            return other_size
        intended = self.pose
        there = None if intended is None else self._elsewhere(situation, intended)
        if intended is None or there is None or there.explained < _SURELY:
            return near
        return self._displaced(intended, there, near)

    def _displaced(
        self, intended: Rigid, there: Located, near: Located | NotFound
    ) -> Located | NotFound:
        """Return where else it lies if that is within reach, else the hint at it."""
        x0, y0, x1, y1 = self.artwork.box_mm
        middle = np.array([[(x0 + x1) / 2, (y0 + y1) / 2]])
        off = (there.pose.apply(middle) - intended.apply(middle))[0]
        turn = math.remainder(there.pose.angle_rad - intended.angle_rad, 2 * math.pi)
        alike = there.pose.mirrored == intended.mirrored
        if np.abs(off).max() <= REACH_MM and abs(turn) <= REACH_RAD and alike:
            return there
        told = anchor_point(self.artwork.box_mm, self.anchor, there.pose.mirrored)
        x, y = there.pose.apply(told[None])[0]
        turn_deg = round(math.degrees(math.remainder(there.pose.angle_rad, 2 * math.pi)), 1) + 0.0
        mirror = "" if alike else f" {'with' if there.pose.mirrored else 'without'} --mirror"
        why = (
            f"nothing like it lies within {REACH_MM:.0f} mm and {math.degrees(REACH_RAD):.0f} "
            "degrees of its place"
        )
        if isinstance(near, NotFound) and near.outside_view:
            why = near.why
        return NotFound(
            why,
            hint=f"what looks like the artwork lies {np.hypot(*off):.0f} mm from there, as if --at "
            f"were {x:.1f},{y:.1f} and --turn {turn_deg:.1f}{mirror}: look whether the job was "
            "placed there, or whether that is another piece",
        )

    def _elsewhere(self, situation: Situation, intended: Rigid) -> Located | None:
        """Return where on the bed, in which quarter turn or mirrored, it fits best."""
        best: Located | None = None
        for mirrored, quarters in itertools.product((False, True), range(4)):
            start = replace(
                intended,
                angle_rad=intended.angle_rad + quarters * math.pi / 2,
                mirrored=intended.mirrored != mirrored,
            )
            found = self._looked_for(situation, start, True, (situation.ground,), most=2)
            if isinstance(found, NotFound):
                continue
            if best is None or found.explained > best.explained:
                best = found
            if best.explained > _BEYOND_DOUBT:
                break
        return best

    def _of_another_size(self, situation: Situation, explained: float) -> NotFound | None:
        """Return the hint at an artwork of another size that explains far more; None of none."""
        x0, y0, x1, y1 = self.artwork.box_mm
        shorter, longer = _view_mm(situation.after)
        narrow, wide = sorted((x1 - x0, y1 - y0))
        for size in _SIZES:
            if max(size * narrow / shorter, size * wide / longer) > _MOST_OF_VIEW:
                continue
            if size * math.hypot(narrow, wide) < _TOO_SMALL_MM:
                continue
            other = replace(self, artwork=self.artwork.scaled(size))
            found = other._looked_for(
                situation,
                other._start,
                self.at_mm is None,
                (situation.ground,),
                most=2,
                reach_rad=_SIZE_REACH_RAD,
            )
            if isinstance(found, NotFound):
                continue
            if found.explained > max(_PLAINLY, explained + _PLAINLY_MORE):
                return NotFound(
                    f"what looks like it is {size:.3g} times as large",
                    hint=f"what looks like the artwork is {size:.3g} times as large, "
                    f"{size * (x1 - x0):.1f} x {size * (y1 - y0):.1f} mm instead of "
                    f"{x1 - x0:.1f} x {y1 - y0:.1f}: it was burned in other units than the "
                    "drawing is read in (96 px are an inch); give the drawing's width and height "
                    "in mm",
                )
        return None

    def _looked_for(
        self,
        situation: Situation,
        start: Rigid,
        anywhere: bool,
        grounds: tuple[Image | None, ...],
        most: int = 6,
        reach_rad: float = REACH_RAD,
        flattened: bool = False,
    ) -> Located | NotFound:
        """Look for the artwork, with the help of the before capture where that helps."""
        result: Located | NotFound = NotFound("no capture")
        for ground in grounds:
            result = locate(
                situation.after,
                ground,
                self.artwork,
                start,
                anywhere,
                self.kerf_mm,
                self.negative,
                most,
                reach_rad,
                flattened,
            )
            if not isinstance(result, NotFound) or result.outside_view:
                break
        return result


def _view_mm(view: View) -> tuple[float, float]:
    """Return the shorter and the longer side of a capture's view on the surface."""
    rows, columns = view.grey.shape
    rim = np.array([(0, 0), (columns - 1, 0), (columns - 1, rows - 1), (0, rows - 1)], float)
    corners = view.surface.mm_from_px(rim)
    sides = np.hypot(*(corners - np.roll(corners, 1, axis=0)).T)
    if not np.isfinite(sides).all():
        return math.inf, math.inf
    shorter, longer = sorted((float(max(sides[::2])), float(max(sides[1::2]))))
    return shorter, longer
