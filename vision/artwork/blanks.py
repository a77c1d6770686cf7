"""The artwork of one blank, taken out of the artwork of a whole sheet."""

from __future__ import annotations

from dataclasses import replace

from vision.artwork.strokes import Artwork


def one_blank(artwork: Artwork, piece: int) -> Artwork:
    """Return the part of an artwork that lies on one blank; features are numbered anew."""
    if artwork.piece_count == 1:
        return artwork
    kept = [n for n, feature in enumerate(artwork.features) if feature.piece == piece]
    number = {old: new for new, old in enumerate(kept)}
    return replace(
        artwork,
        strokes=tuple(
            replace(s, feature=number[s.feature]) for s in artwork.strokes if s.feature in number
        ),
        areas=tuple(
            replace(a, feature=number[a.feature]) for a in artwork.areas if a.feature in number
        ),
        features=tuple(artwork.features[n] for n in kept),
        piece_count=1,
    )
