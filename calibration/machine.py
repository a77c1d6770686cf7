"""Machine axes: which way the machine counts, against the bed's right-handed millimetres."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.errors import WitmarkError

Array = NDArray[np.float64]


@dataclass(frozen=True)
class MachineAxes:
    """p_bed = axes p_machine + offset, with one of the 8 maps of the axes onto themselves.

    Attributes
    ----------
    axes
        Rows of a signed permutation: ((1, 0), (0, 1)) is the bed's own.
    offset_mm
        Bed place of the machine's origin.
    """

    axes: tuple[tuple[int, int], tuple[int, int]] = ((1, 0), (0, 1))
    offset_mm: tuple[float, float] = (0.0, 0.0)

    def __post_init__(self) -> None:
        """Refuse what is not one of the 8 maps."""
        magnitudes = sorted(tuple(abs(v) for v in row) for row in self.axes)
        if magnitudes != [(0, 1), (1, 0)]:
            raise ValueError("axes must be two rows with one 1 or -1 each, in different columns")

    def bed_from_machine(self, points_mm: Array) -> Array:
        """Map (n, 2) machine coordinates to the bed."""
        return np.asarray(points_mm @ np.array(self.axes, float).T + np.array(self.offset_mm))

    def machine_from_bed(self, points_mm: Array) -> Array:
        """Map (n, 2) bed coordinates to the machine's."""
        return np.asarray((points_mm - np.array(self.offset_mm)) @ np.array(self.axes, float))

    def to_json(self) -> dict[str, Any]:
        """Return the field `bed_from_machine` of a bed file."""
        return {"axes": [list(row) for row in self.axes], "offset_mm": list(self.offset_mm)}


def axes_from_json(content: Any, where: str) -> MachineAxes:
    """Return the axes that a bed file holds; the default where it holds none."""
    if content is None:
        return MachineAxes()
    try:
        first, second = (tuple(int(v) for v in row) for row in content["axes"])
        x, y = (float(v) for v in content["offset_mm"])
        return MachineAxes(((first[0], first[1]), (second[0], second[1])), (x, y))
    except (KeyError, TypeError, ValueError, IndexError) as error:
        raise WitmarkError(
            where,
            f"field bed_from_machine is wrong ({error})",
            'write it as {"axes": [[1, 0], [0, 1]], "offset_mm": [0, 0]}',
        ) from error
