"""The benchmark of the measuring core: exact scenes, bounds, peers, targets.

Run it from the top of the checkout:

    python -m tests.benchmarks.core --scenes 1000 --out FOLDER

It draws scenes by exact area coverage and appends one row per scene to FOLDER/core.jsonl and, for
some scenes of each class, to a file of each peer; run again, it goes on where it stopped. Then come
the tables; the exit status is 1 where a target is missed. Even seeds are for tuning, odd ones for
judging. `--sabotage` puts a fault into every fit of the core: a target must then be missed.
`--short` takes less than three minutes: each combination of pitch, layers and ground once.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict
from functools import partial
from pathlib import Path

import numpy as np

from tests.benchmarks.bound import bound_of
from tests.benchmarks.peers import PEERS, SITK, NoPeerError, ecc_seconds, read_peer
from tests.benchmarks.reading import SABOTAGES, read_core, spoiled
from tests.benchmarks.scenes import GROUNDS, LAYERS, PITCHES_MM, Drawing, Spec, spec_of
from tests.benchmarks.summary import CORE, table, worst_table
from tests.benchmarks.targets import targets_of
from tests.studies.rows import (
    OtherSpecificationError,
    Row,
    read_rows,
    sources_stamp,
    stamp,
)
from tests.studies.summary import targets_table
from tests.studies.telling import run_telling, tell_missed, tell_sources

_ROOT = Path(__file__).resolve().parents[2]
_PRODUCT = ("calibration", "vision")
_SHORT_SCENES, _SHORT_PEERS = 60, 1


def run_core(seed: int, sabotage: str | None, code: str) -> Row:
    """Draw a scene, bound it, measure it; beside it one template-plus-ECC run for its time."""
    drawing = Drawing(spec_of(seed))
    view = drawing.capture()
    before = drawing.capture_before() if drawing.spec.before else None
    bound = bound_of(drawing)
    reading = spoiled(read_core(drawing, view, before), sabotage)
    return {
        **_about(drawing.spec, CORE),
        "bound_um": (1e3 * bound[:2]).tolist(),
        "bound_mdeg": float(1e3 * np.degrees(bound[2])),
        **reading.numbers,
        "ecc_seconds": ecc_seconds(drawing.spec),
        "code": code,
    }


def run_peer(seed: int, method: str) -> Row:
    """Draw a scene and register it by a peer."""
    drawing = Drawing(spec_of(seed))
    view = drawing.capture()
    before = drawing.capture_before() if drawing.spec.before else None
    reading = read_peer(drawing, view, before, PEERS[method])
    return {**_about(drawing.spec, method), **reading.numbers}


def _about(spec: Spec, method: str) -> Row:
    return {"method": method, "spec": asdict(spec)}


def seeds_of(scenes: int, parity: str, chosen: Callable[[Spec], bool]) -> list[int]:
    """Return the first seeds of a parity whose scenes are chosen."""
    out: list[int] = []
    seed = 1 if parity == "odd" else 0
    while len(out) < scenes:
        if chosen(spec_of(seed)):
            out.append(seed)
        seed += 2
    return out


def peer_seeds(seeds: Sequence[int], count: int) -> list[int]:
    """Return the first `count` seeds of each pitch and kind of layers."""
    taken: dict[tuple[float, str], list[int]] = {}
    for seed in seeds:
        spec = spec_of(seed)
        own = taken.setdefault((spec.pitch_mm, spec.layers), [])
        if len(own) < count:
            own.append(seed)
    return sorted(seed for own in taken.values() for seed in own)


def gathered(folder: Path, peers: Path, seeds: Sequence[int]) -> list[Row]:
    """Return the rows of some seeds, each with its scene's class and bound."""
    core = [row for row in read_rows(folder / f"{CORE}.jsonl") if row["seed"] in set(seeds)]
    bounds = {row["seed"]: row for row in core if "bound_um" in row}
    rows = core + [
        row
        for method in PEERS
        for row in read_rows(peers / f"{_file_of(method)}.jsonl")
        if row["seed"] in bounds
    ]
    out = []
    for row in rows:
        # A row that raised knows its seed alone; it is a row of the core or of its file's peer.
        spec = spec_of(row["seed"])
        whole = {
            "pitch_mm": spec.pitch_mm,
            "layers": spec.layers,
            "ground": spec.ground,
            "method": CORE,
            **row,
        }
        beside = bounds.get(row["seed"], {})
        whole |= {key: beside[key] for key in ("bound_um", "ecc_seconds") if key in beside}
        out.append(whole)
    return out


def _file_of(method: str) -> str:
    return method.replace(" + ", "-").replace(" ", "-")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the benchmark and print its tables; return the exit status."""
    said = _parser().parse_args(arguments)
    if said.short:
        said.scenes, said.peers = _SHORT_SCENES, min(said.peers, _SHORT_PEERS)

    def chosen(spec: Spec) -> bool:
        return (
            (not said.pitch or spec.pitch_mm in said.pitch)
            and (not said.layers or spec.layers in said.layers)
            and (not said.ground or spec.ground in said.ground)
        )

    seeds = seeds_of(said.scenes, said.parity, chosen)
    folder = said.out / said.sabotage if said.sabotage else said.out
    began = time.monotonic()
    try:
        if not said.only_table:
            code = sources_stamp(_ROOT, _PRODUCT)
            work = partial(run_core, sabotage=said.sabotage, code=code)
            path = folder / f"{CORE}.jsonl"
            stamps = partial(_stamp, method=CORE, sabotage=said.sabotage)
            run_telling(path, seeds, stamps, work, said.workers, "scenes", _raised)
            few = peer_seeds(seeds, said.peers)
            for method in PEERS if few else ():
                if SITK is None and method == "Euler2D":
                    raise NoPeerError(
                        "SimpleITK is missing: install the development dependencies, or run "
                        "without peers (--peers 0)"
                    )
                path = said.out / f"{_file_of(method)}.jsonl"
                own = partial(run_peer, method=method)
                stamps = partial(_stamp, method=method, sabotage=None)
                run_telling(path, few, stamps, own, said.workers, "scenes", _raised)
    except (OtherSpecificationError, NoPeerError) as error:
        print(error, file=sys.stderr)
        return 2
    print(f"Took {time.monotonic() - began:.0f} s.", file=sys.stderr)
    return _tell(gathered(folder, said.out, seeds), said.worst)


def _stamp(seed: int, method: str, sabotage: str | None) -> str:
    return stamp(asdict(spec_of(seed)), method, sabotage)


def _raised(row: Row) -> str | None:
    return " raised" if "error" in row else None


def _tell(rows: list[Row], worst: int) -> int:
    core = [row for row in rows if row["method"] == CORE]
    if not core:
        print("No scene was measured.", file=sys.stderr)
        return 2
    tell_sources(core, "scenes")
    found = targets_of(rows)
    print("\n" + targets_table(found))
    print("\n" + table(core, "pitch", lambda row: f"{row['pitch_mm']:.2f}"))
    print("\n" + table(core, "ground", lambda row: str(row["ground"])))
    print("\n" + table(core, "layers", lambda row: str(row["layers"])))
    print("\n" + table(core, "layers, ground", lambda row: f"{row['layers']}, {row['ground']}"))
    shared = {row["seed"] for row in rows if row["method"] != CORE}
    if shared:
        same = [row for row in rows if row["seed"] in shared]
        print("\nWith the peers, on the same scenes:")
        print("\n" + table(same, "layers", lambda row: str(row["layers"])))
        pairs = [row for row in same if len(spec_of(row["seed"]).names) == 2]
        print("\n" + table(pairs, "fill to outline", lambda row: f"{row['pitch_mm']:.2f}"))
    if worst:
        print("\n" + worst_table(core, worst))
    return tell_missed(found)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m tests.benchmarks.core",
        description="The measuring core on exact scenes, beside the bound and its peers.",
    )
    temporary = Path(tempfile.gettempdir()) / "witmark-benchmark"
    parser.add_argument("--scenes", type=int, default=1000, help="how many scenes (1000)")
    parser.add_argument("--short", action="store_true", help="60 scenes, 12 of them for peers too")
    parser.add_argument("--parity", choices=("even", "odd"), default="odd", help="seeds (odd)")
    parser.add_argument("--out", type=Path, default=temporary, help="folder of the rows")
    parser.add_argument("--workers", type=int, default=2, help="processes of one thread each (2)")
    parser.add_argument(
        "--peers", type=int, default=24, help="scenes per pitch and layers for peers (24)"
    )
    parser.add_argument("--pitch", type=float, action="append", choices=PITCHES_MM)
    parser.add_argument("--layers", action="append", choices=LAYERS)
    parser.add_argument("--ground", action="append", choices=GROUNDS)
    parser.add_argument("--sabotage", choices=SABOTAGES, help="put a fault into every fit")
    parser.add_argument("--worst", type=int, default=10, help="how many bad scenes to list (10)")
    parser.add_argument(
        "--only-table", action="store_true", help="run nothing, tell what the rows say"
    )
    return parser


if __name__ == "__main__":
    sys.exit(main())
