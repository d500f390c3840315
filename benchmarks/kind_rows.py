"""Labelled candidates of simulated slabs: what the model that names finds is trained on.

Photos are simulated once and kept; each is also taken as another camera may have developed it, and with its tones
evened out place by place.
"""

from __future__ import annotations

import json
import pickle
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from scenes import THIN, USUAL, laid_out, overlap, raster, simulated

from voidmap.errors import CantTell
from voidmap.model import Ortho, SlabFound
from voidmap.simulate.voids import Variety
from voidmap.simulate.wood import CONIFERS, SPECIES
from voidmap.surface.candidates import find_candidates
from voidmap.surface.features import Candidate
from voidmap.surface.kinds import NOTHING

# Phones' tone mapping lifts shadows: darkness (log of light against the wood's) comes to so much of itself.
LIFT = (0.4, 0.9)
# ... and evens the light out place by place: by histograms of so many tiles a side, none steeper than so many times the
# usual; or by what is left of the light's slow part (log, 1 sigma of so much of the picture's width) with its fine part
# made stronger.
TILES, STEEPEST = (4, 12), (1.2, 3.0)
SLOW_SHARE, SLOW_LEFT, FINE_GAIN = (0.01, 0.1), (0.3, 0.8), (1.0, 1.6)
# The curve that photos are kept by, near enough, and the least light that is told from none.
GAMMA, LEAST_LIGHT = 2.2, 0.002
# By night a phone's sensor is noisy, one pixel by so many grey levels (1 sigma), and its software smooths that away as
# what has no like nearby (non-local means, A. Buades and others, 2005; of so many noises): pores are left as dots.
NIGHT_NOISE, SMOOTHED = (6.0, 18.0), (0.4, 1.0)
# A label's rim may be off by so many pixels.
NEAR_PX = 4


@dataclass(frozen=True)
class Family:
    """Scenes of a sort, by their seeds: photos' sizes (megapixels), how many things there are, what of, under what sky.

    Every ``close_every``-th gives a close view as well; with ``lift`` each photo is also tone mapped, with ``night``
    also taken in little light. ``woods`` are the species, in turn; usually any but the conifers. ``figured``: their
    faces have curl, zone lines and the like.
    """

    seeds: range
    variety: Variety = USUAL
    megapixels: tuple[float, ...] = (3.0, 5.0, 8.0)
    busy: tuple[float, float] = (0.7, 1.8)
    overhead: tuple[float, float] = (1.0, 1.0)
    close_every: int = 4
    lift: bool = False
    woods: tuple[str, ...] = ()
    figured: bool = False
    night: bool = False


NEVER = 10**9
FAMILIES = (
    Family(range(1, 65)),
    # Many knots, whose holes have nothing of the knot left around them.
    Family(range(3000, 3018), Variety(bare=1.0), (3.0,), (1.5, 2.5), close_every=NEVER),
    # Cracks that lie off the grain, and slabs that are written on.
    Family(range(4000, 4024), Variety(across=0.6, written=0.8)),
    # Ceiling lamps over the bench.
    Family(range(5000, 5040), overhead=(1.5, 6.0)),
    # Hollows that are lit nearly as the top is, most of the slab's own wood, among pencil marks.
    Family(
        range(6000, 6100),
        Variety(across=0.3, bare=0.6, of_wood=0.8, bark_of_wood=0.5, written=0.6),
        busy=(1.0, 2.0),
        overhead=(1.0, 8.0),
        close_every=NEVER,
        lift=True,
    ),
    # More of the usual, on larger photos.
    Family(range(7000, 7060), megapixels=(5.0, 8.0), overhead=(1.0, 4.0), close_every=NEVER, night=True),
    # Growth rings that stand out as lines.
    Family(range(8000, 8070), overhead=(1.0, 4.0), close_every=2, woods=tuple(wood.name for wood in CONIFERS)),
    # Boards with figure: curl, ray fleck, eyes, zone lines, stain, marks of the saw.
    Family(
        range(8100, 8180),
        overhead=(1.0, 4.0),
        close_every=2,
        woods=tuple(wood.name for wood in (*SPECIES, *CONIFERS)),
        figured=True,
        night=True,
    ),
)


@dataclass(frozen=True, eq=False)
class Rows:
    """One picture's candidates; each one's label ("" where the truth is neither one thing nor another).

    ``on_void`` is each one's share that lies on true voids, ``fits`` its overlap (intersection over union) with the
    void that it fits best.
    """

    group: int
    mm_per_px: float
    candidates: Sequence[Candidate]
    labels: tuple[str, ...]
    on_void: tuple[float, ...]
    fits: tuple[float, ...]


def redeveloped(ortho: Ortho, slab: SlabFound, rng: np.random.Generator) -> tuple[Ortho, SlabFound]:
    """Return the picture as another lens, light and camera may have made it.

    Coarser scale, more blur, stray light that lifts the voids, another tone curve, colour, white balance, sharpening,
    noise and JPEG quality.
    """
    shrink = float(rng.uniform(0.6, 1.0)) if rng.random() < 0.5 and ortho.mm_per_px < 0.4 else 1.0
    picture = ortho.pixels.astype(np.float32)
    if rng.random() < 0.5:
        picture = cv2.GaussianBlur(picture, (0, 0), float(rng.uniform(0.3, 1.3)))
    bright = float(np.percentile(picture[::8, ::8][ortho.valid[::8, ::8]], 90))
    stray = float(rng.uniform(0, 0.22)) if rng.random() < 0.7 else 0.0
    picture = picture * (1 - stray) + stray * bright * np.exp(rng.normal(0, 0.05, 3)).astype(np.float32)
    curve = float(np.exp(rng.uniform(np.log(0.75), np.log(1.35))))
    picture = 255 * np.clip(picture / 255, 0, 1) ** curve
    grey = (picture @ np.array([0.114, 0.587, 0.299], np.float32))[..., None]
    picture = grey + (picture - grey) * float(rng.uniform(0.2, 1.4))
    picture = picture * np.exp(rng.normal(0, 0.08, 3)).astype(np.float32)
    if rng.random() < 0.5:
        soft = cv2.GaussianBlur(picture, (0, 0), float(rng.uniform(0.7, 1.5)))
        picture = picture + float(rng.uniform(0.2, 1.4)) * (picture - soft)
    picture = picture + rng.normal(0, float(rng.uniform(0, 4)), picture.shape[:2]).astype(np.float32)[..., None]
    coded = cv2.imencode(".jpg", np.clip(picture, 0, 255).astype(np.uint8), [1, int(rng.integers(55, 95))])[1]
    pixels = cv2.imdecode(coded, cv2.IMREAD_COLOR)
    return shrunk(replace(ortho, pixels=pixels), slab, shrink)


def lifted(ortho: Ortho, rng: np.random.Generator) -> Ortho:
    """Return the picture as a phone's tone mapping shows it: what is darker than the wood is so by less."""
    picture = ortho.pixels.astype(np.float32)
    light = (picture / 255.0) ** np.float32(GAMMA)
    grey = np.maximum(light @ np.array([0.07, 0.72, 0.21], np.float32), LEAST_LIGHT)
    wood = float(np.median(grey[::8, ::8][ortho.valid[::8, ::8]]))
    power = float(np.exp(rng.uniform(*np.log(LIFT))))
    gain = np.where(grey < wood, (grey / wood) ** np.float32(power - 1.0), np.float32(1.0))
    pixels = 255.0 * np.clip(light * gain[..., None], 0, 1) ** np.float32(1.0 / GAMMA)
    return replace(ortho, pixels=pixels.astype(np.uint8))


def by_night(ortho: Ortho, rng: np.random.Generator) -> Ortho:
    """Return the picture as a phone takes it in little light: noise, smoothed away with whatever else is fine."""
    noise = float(np.exp(rng.uniform(*np.log(NIGHT_NOISE))))
    picture = ortho.pixels + rng.normal(0, noise, ortho.pixels.shape).astype(np.float32)
    strength = noise * float(rng.uniform(*SMOOTHED))
    noisy = np.clip(picture, 0, 255).astype(np.uint8)
    return replace(ortho, pixels=cv2.fastNlMeansDenoisingColored(noisy, None, strength, 2 * strength, 5, 11))


def evened_out(ortho: Ortho, rng: np.random.Generator) -> Ortho:
    """Return the picture with its tones evened out place by place, as phones do it to show both lamp and shade."""
    lab = cv2.cvtColor(ortho.pixels, cv2.COLOR_BGR2LAB)
    # What the photo does not show has no part in it.
    lab[~ortho.valid] = np.median(lab[::8, ::8][ortho.valid[::8, ::8]], axis=0).astype(np.uint8)
    if rng.random() < 0.5:
        tiles = int(rng.integers(TILES[0], TILES[1] + 1))
        even = cv2.createCLAHE(float(rng.uniform(*STEEPEST)), (tiles, tiles)).apply(lab[..., 0])
    else:
        tone = np.log(lab[..., 0].astype(np.float32) + 1.0)
        width = float(np.exp(rng.uniform(*np.log(SLOW_SHARE)))) * ortho.pixels.shape[1]
        small = cv2.resize(tone, None, fx=0.125, fy=0.125, interpolation=cv2.INTER_AREA)
        slow = cv2.resize(cv2.GaussianBlur(small, (0, 0), width / 8), tone.shape[::-1], interpolation=cv2.INTER_LINEAR)
        middle = float(np.median(slow[::8, ::8][ortho.valid[::8, ::8]]))
        left, gain = float(rng.uniform(*SLOW_LEFT)), float(rng.uniform(*FINE_GAIN))
        even = np.clip(np.exp(middle + left * (slow - middle) + gain * (tone - slow)) - 1.0, 0, 255).astype(np.uint8)
    share = float(rng.uniform(0.4, 1.0))
    lab[..., 0] = cv2.addWeighted(even, share, lab[..., 0], 1.0 - share, 0)
    return replace(ortho, pixels=cv2.cvtColor(lab, cv2.COLOR_LAB2BGR))


def shrunk(ortho: Ortho, slab: SlabFound, factor: float) -> tuple[Ortho, SlabFound]:
    """Return a picture and its slab at a coarser scale."""
    if factor == 1.0:
        return ortho, slab
    height, width = ortho.valid.shape
    size = (round(width * factor), round(height * factor))

    def small(mask: np.ndarray) -> np.ndarray:
        return cv2.resize(mask.astype(np.uint8) * 255, size, interpolation=cv2.INTER_AREA) > 127

    mm = ortho.mm_per_px * width / size[0]
    shift = (mm - ortho.mm_per_px) / 2
    pixels = cv2.resize(ortho.pixels, size, interpolation=cv2.INTER_AREA)
    ortho = Ortho(pixels, small(ortho.valid), ortho.x0_mm + shift, ortho.y0_mm + shift, mm)
    return ortho, replace(slab, mask=small(slab.mask), covered=small(slab.covered))


def label(truths: list[tuple], found: Candidate) -> tuple[str, float, float]:
    """Say what truly lies where a candidate is, its share on true voids, and how well it fits one.

    A piece of a void is that void; what holds a knot hole and much of the knot around it is the knot.
    """
    mask, corner = found.cover.mask, found.cover.corner
    best, name, on_void, fit = 0.0, NOTHING, 0.0, 0.0
    for feature, true, wide, at in truths:
        near = overlap(mask, corner, wide, at)
        if not near:
            continue
        both = overlap(mask, corner, true, at)
        inside, iou = near / mask.sum(), both / (mask.sum() + true.sum() - both)
        thin, kind = feature["kind"] in THIN, feature["kind"]
        on_void += inside if feature["is_void"] else 0.0
        fit = max(fit, iou if feature["is_void"] else 0.0)
        ranks = [(0.0, NOTHING)]
        if (inside > 0.6 or iou > 0.4) if thin else iou > 0.5:
            ranks.append((1.0 + iou, kind))
        if feature["is_void"] and not thin and inside > 0.8:
            ranks.append((0.8, kind))
        if kind == "knot_hole" and both > 0.7 * true.sum() and iou > 0.1:
            ranks.append((0.6, "sound_knot"))
        if feature["is_void"] and (inside > 0.3 or iou > 0.15):
            ranks.append((0.5, ""))
        if kind == "stain" and found.source == "patch" and inside > 0.6:
            ranks.append((0.4, kind))
        rank, said = max(ranks)
        if rank > best:
            best, name = rank, said
    return name, min(1.0, on_void), fit


def labelled(group: int, ortho: Ortho, slab: SlabFound, truth: dict) -> Rows:
    """Return a picture's candidates with their labels."""
    truths, size = [], 2 * NEAR_PX + 1
    for feature in truth["features"]:
        # Through the photo's pixels a thing outside it would come back from anywhere.
        pieces = [np.array(o) for o in (feature["outline_mm"], *feature.get("pieces_mm", [])) if len(o) > 2]
        if pieces:
            true, at = raster(ortho, *pieces)
            wide = cv2.dilate(true.astype(np.uint8), np.ones((size, size))).astype(bool)
            truths.append((feature, true, wide, at))
    found = find_candidates(ortho, slab)
    return rows_of(group, ortho.mm_per_px, found, truths)


def rows_of(group: int, mm_per_px: float, found: Sequence[Candidate], truths: list[tuple]) -> Rows:
    """Label candidates by the truths (feature, mask, mask grown by ``NEAR_PX``, corner)."""
    said = [label(truths, one) for one in found]
    names, on_void, fits = zip(*said, strict=True) if said else ((), (), ())
    return Rows(group, mm_per_px, found, tuple(names), tuple(on_void), tuple(fits))


def photo(seed: int, family: Family, close: bool, folder: Path) -> tuple[np.ndarray, dict]:
    """Return a simulated photo and its truth, from the folder when it is there."""
    kept = folder / f"{seed}{'-close' if close else ''}.json"
    if not kept.exists():
        made = {
            name: getattr(family, name) for name in ("megapixels", "busy", "variety", "overhead", "woods", "figured")
        }
        pixels, truth = simulated(seed, close=close, **made)
        folder.mkdir(parents=True, exist_ok=True)
        cv2.imwrite(str(kept.with_suffix(".png")), pixels, [cv2.IMWRITE_PNG_COMPRESSION, 1])
        kept.write_text(json.dumps(truth))
    return cv2.imread(str(kept.with_suffix(".png"))), json.loads(kept.read_text())


def scene_rows(seed: int, family: Family, cache: Path) -> list[Rows]:
    """Return the labelled candidates of one scene's photos, as they are and as others may have developed them.

    A photo gives three or, with ``lift`` or ``night``, four pictures.
    """

    def made(close: bool) -> list[Rows]:
        pixels, truth = photo(seed, family, close, cache / "scenes")
        try:
            ortho, slab, _ = laid_out(pixels, truth)
        except CantTell:
            return []
        if family.lift:
            rng = np.random.default_rng([seed, 98, close])
            again = [(lifted(ortho, rng), slab), redeveloped(lifted(ortho, rng), slab, rng)]
        else:
            again = [redeveloped(ortho, slab, np.random.default_rng([seed, 99, close]))]
        rng = np.random.default_rng([seed, 97, close])
        even = evened_out(ortho, rng)
        again.append(redeveloped(even, slab, rng) if rng.random() < 0.5 else (even, slab))
        if family.night:
            rng = np.random.default_rng([seed, 96, close])
            dim = by_night(ortho, rng)
            again.append(redeveloped(dim, slab, rng) if rng.random() < 0.3 else (dim, slab))
        return [labelled(seed, *view, truth) for view in [(ortho, slab), *again]]

    rows: list[Rows] = []
    for close in (False, True) if seed % family.close_every == 0 else (False,):
        name = f"{seed}{'-close' if close else ''}.pickle"
        rows += kept_rows(cache / "rows" / name, lambda close=close: made(close))
    return rows


def kept_rows(path: Path, made: Callable[[], list[Rows]]) -> list[Rows]:
    """Return rows from a file, made when it is not there."""
    if not path.exists():
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(pickle.dumps(made()))
    return list(pickle.loads(path.read_bytes()))
