"""What the camera of a capture did, told as findings."""

from __future__ import annotations

from vision.result import CameraMovement, Finding


def _seen_length(camera: CameraMovement) -> bool:
    """Tell whether a camera's movement is surely not nothing."""
    return camera.shift_mm.value is not None and camera.shift_mm.interval[0] > 0.0


def of_camera(role: str, camera: CameraMovement) -> list[Finding]:
    """Return what a capture's camera did since it was calibrated."""
    told, refocus = f"The {role} capture: {camera.note}.", camera.refocus
    if refocus is None:
        if camera.corrected or (camera.seen_by == "bed" and _seen_length(camera)):
            return [Finding("camera_moved", "sure", told)]
        if camera.seen_by == "reference marks" and camera.shift_mm.value is None:
            # Too few marks to correct it by, but enough to see it.
            return [Finding("camera_moved", "likely", told)]
        return []
    if refocus.cropped:
        mend = "a capture of the whole picture, without a zoom"
        return [Finding("picture_cropped", refocus.confidence, told, next_capture=mend)]
    found = [
        Finding(
            "camera_refocused",
            refocus.confidence,
            told,
            rivals=refocus.rivals,
            next_capture="a capture with the camera's autofocus off and its focus as it was "
            "calibrated",
        )
    ]
    if refocus.also_moved:
        moved = f"The {role} capture: beside refocusing, the camera moved."
        found.append(Finding("camera_moved", refocus.confidence, moved))
    return found
