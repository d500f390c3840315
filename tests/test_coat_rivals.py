"""The detector against general blob detectors, at the same tolerance, and on a public picture that is no coat."""

import cv2
import numpy as np
import pytest
from scipy.spatial import KDTree
from test_coat_spots import PX_PER_MM, SIDE, wood

from voidmap.coat.plant import Plant, places_apart, plant
from voidmap.coat.spots import find_spots

TOLERANCE_PX = 3.0


def f1(places, truth):
    """Return F1 with one-to-one nearest matches within the tolerance."""
    if len(places) == 0:
        return 0.0
    away, which = KDTree(places).query(truth)
    hits = len({int(w) for w in which[away <= TOLERANCE_PX]})
    return 2 * hits / (len(places) + len(truth))


def best_f1(places, strength, truth):
    """Return the best F1 over all thresholds: the rival is given the threshold that suits this very picture."""
    order = np.argsort(-strength)
    return max(f1(places[order[:n]], truth) for n in range(5, len(places) + 1, 3)) if len(places) >= 5 else 0.0


def scene(seed, sanded):
    rng = np.random.default_rng(seed)
    free = np.zeros((SIDE, SIDE), np.uint8)
    free[24:-24, 24:-24] = 1
    places = places_apart(free, 60, 36, rng, taken_px=np.zeros((0, 2)))
    sizes = np.exp(rng.uniform(np.log(0.5), np.log(1.8), len(places))) * PX_PER_MM
    plants = [Plant(float(x), float(y), float(d)) for (x, y), d in zip(places, sizes, strict=True)]
    picture = plant(wood(rng, 20.0 * seed), plants, rng, sanded=sanded, blur_px=0.7)
    return cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY), places


def skimage_blobs(name, grey):
    """Return places and strengths of both polarities by a scikit-image detector."""
    feature = pytest.importorskip("skimage.feature")
    found, strength = [], []
    for sign in (1, -1):
        light = sign * (grey.astype(np.float64) - grey.mean()) / 255
        scales = {"num_sigma": 5} if name == "blob_log" else {}
        blobs = getattr(feature, name)(light, min_sigma=1.2, max_sigma=6, threshold=0.02, **scales)
        smooth = {s: np.abs(cv2.Laplacian(cv2.GaussianBlur(light, (0, 0), s), cv2.CV_64F)) * s**2
                  for s in set(blobs[:, 2].tolist())}  # fmt: skip
        found.append(blobs[:, [1, 0]])
        strength.append(np.array([smooth[s][int(y), int(x)] for y, x, s in blobs]))
    return np.concatenate(found), np.concatenate(strength)


def opencv_blobs(grey):
    out = []
    for colour in (0, 255):
        p = cv2.SimpleBlobDetector_Params()
        p.filterByColor, p.blobColor = True, colour
        p.filterByArea, p.minArea, p.maxArea = True, 5.0, 800.0
        p.minThreshold, p.maxThreshold, p.thresholdStep = 10.0, 250.0, 4.0
        p.minDistBetweenBlobs, p.filterByInertia = 4.0, False
        out += [k.pt for k in cv2.SimpleBlobDetector_create(p).detect(grey)]
    return np.array(out).reshape(-1, 2)


@pytest.mark.parametrize(("seed", "sanded"), [(1, False), (2, True)])
def test_no_general_blob_detector_does_better(seed, sanded):
    grey, truth = scene(seed, sanded)
    look = np.full(grey.shape, 255, np.uint8)
    # By the rings alone, and with the closer look at colours that are all grey.
    pictures = (grey, cv2.cvtColor(grey, cv2.COLOR_GRAY2BGR))
    ours = min(f1(find_spots(p, look, px_per_mm=PX_PER_MM, blur_px=0.7).places_px, truth) for p in pictures)
    rivals = {name: best_f1(*skimage_blobs(name, grey), truth) for name in ("blob_log", "blob_dog")}
    rivals["SimpleBlobDetector"] = f1(opencv_blobs(grey), truth)
    assert ours >= max(rivals.values()), rivals
    assert ours >= 0.85


def test_microaneurysms_are_found_and_vessels_are_not():
    # skimage.data.microaneurysms: part of a retina picture (public domain): two dark spots (seen by eye at (16, 23)
    # and (48, 71) px) among four vessels, which blob_log takes for rows of blobs. Grey pictures are left to the rings:
    # the closer look, which knows photos of coats, would give the fainter spot a chance of 0.2.
    data = pytest.importorskip("skimage.data")
    picture = data.microaneurysms()
    spots = find_spots(picture, np.full(picture.shape, 255, np.uint8), px_per_mm=8.0, blur_px=1.2)
    away, _ = KDTree(spots.places_px).query([(16, 23), (48, 71)])
    assert away.max() <= 2.0
    assert len(spots) <= 4
