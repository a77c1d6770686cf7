"""Make the shipped captures again: `python -m samples.make [FOLDER]`."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

from samples import scenario
from samples.jobs import make_job
from samples.simulator.bed import marks_file
from samples.simulator.board import bed_board_photo, board_photos, save_photo
from samples.simulator.svg import write_svg
from samples.truth import rounded

QUALITY = 88


def make(folder: Path) -> list[Path]:
    """Write all files of the scenario into a folder; return them."""
    folder.mkdir(parents=True, exist_ok=True)
    written: list[Path] = []

    def target(name: str) -> Path:
        written.append(folder / name)
        return written[-1]

    def write(name: str, content: dict[str, Any]) -> None:
        text = json.dumps(rounded(content), indent=2, ensure_ascii=False, allow_nan=False)
        target(name).write_text(text + "\n", "utf-8")

    camera = scenario.CAMERA_INDEX
    photos, board = board_photos(
        camera, scenario.LENS_PHOTOS, 1, bed=scenario.BED, noise_levels=1.6, jpeg_quality=None
    )
    lens_photos = [f"lens-{number}.jpg" for number in range(1, len(photos) + 1)]
    for name, photo in zip(lens_photos, photos, strict=True):
        save_photo(target(name), photo, QUALITY)
    place = (scenario.BOARD_AT_MM, scenario.BOARD_TURN_DEG, scenario.BOARD_HEIGHT_MM)
    flat = bed_board_photo(camera, *place, 1, bed=scenario.BED, noise_levels=1.6, jpeg_quality=None)
    save_photo(target("bed.jpg"), flat, QUALITY)
    # The workshop held a steel rule against the print: true to 0.3 mm in a metre.
    write("board.json", board | {"print_scale_u95": 0.0003})
    write("marks.json", marks_file())
    for name, drawing in scenario.drawings().items():
        target(name).write_text(write_svg(drawing), "utf-8")
    write(
        "scenario.json",
        {
            "schema": "witmark.truth/1",
            "title": "Bed labels for an allotment society (invented)",
            "pieces": [_piece(piece, target) for piece in scenario.pieces()],
            "lens_photos": lens_photos,
            "bed_photo": {
                "file": "bed.jpg",
                "at_mm": list(place[0]),
                "turn_deg": place[1],
                "height_mm": place[2],
            },
            "board": "board.json",
            "marks": "marks.json",
        },
    )
    return written


def _piece(piece: scenario.Piece, target: Any) -> dict[str, Any]:
    """Draw a piece's captures and return its row of the scenario file."""
    job = make_job(piece.spec)
    before = f"{piece.name}-before.jpg" if piece.with_before else None
    if before:
        save_photo(target(before), job.before, QUALITY)
    after = f"{piece.name}-after.jpg"
    save_photo(target(after), job.after, QUALITY)
    return {
        "name": piece.name,
        "title": piece.title,
        "before": before,
        "after": after,
        "artwork": piece.artwork,
        "at_mm": list(piece.spec.at_mm),
        "turn_deg": piece.spec.turn_deg,
        "height_mm": piece.spec.thickness_mm,
        "kerf_mm": piece.spec.kerf_mm,
        "tolerance_mm": piece.tolerance_mm,
        "truth": job.truth,
        "expected_verdict": piece.expected_verdict,
        "decided_by": piece.clause,
    }


def main() -> None:
    """Make the captures in the folder given, or in the package's own."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent / "data"
    for path in make(folder):
        print(f"{path.stat().st_size / 1024:8.0f} KB  {path}")


if __name__ == "__main__":
    main()
