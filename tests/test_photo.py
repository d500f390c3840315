"""Photos come in upright, whole and unharmed, or are refused in one sentence."""

import hashlib
import io

import numpy as np
import pytest
from PIL import Image

from voidmap import files, photo
from voidmap.errors import PhotoError

UPRIGHT = np.zeros((240, 320, 3), np.uint8)
UPRIGHT[:60, :80] = (255, 0, 0)  # red, top left
UPRIGHT[180:, 240:] = (0, 0, 255)  # blue, bottom right

# How the camera stored the upright picture, by Exif orientation (CIPA DC-008, tag 0x0112).
STORED = {
    1: UPRIGHT,
    2: UPRIGHT[:, ::-1],
    3: UPRIGHT[::-1, ::-1],
    4: UPRIGHT[::-1],
    5: UPRIGHT.transpose(1, 0, 2),
    6: np.rot90(UPRIGHT, 1),
    7: np.rot90(UPRIGHT, 2).transpose(1, 0, 2),
    8: np.rot90(UPRIGHT, -1),
}


def encode(rgb, kind="JPEG", **tags):
    picture = Image.fromarray(np.ascontiguousarray(rgb))
    exif = Image.Exif()
    for tag, value in tags.pop("root", {}).items():
        exif[tag] = value
    exif.get_ifd(0x8769).update(tags.pop("camera", {}))
    out = io.BytesIO()
    picture.save(out, kind, exif=exif, quality=95) if kind in ("JPEG", "HEIF") else picture.save(out, kind, exif=exif)
    return out.getvalue()


@pytest.mark.parametrize("orientation", range(1, 9))
def test_exif_orientation_is_obeyed(orientation):
    seen = photo.decode(encode(STORED[orientation], root={0x0112: orientation}), "a.jpg").pixels
    assert seen.shape == (240, 320, 3)
    assert seen[20, 20, 2] > 200
    assert seen[220, 300, 0] > 200


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "HEIF"])
def test_formats(kind):
    from pillow_heif import register_heif_opener

    register_heif_opener()
    seen = photo.decode(encode(UPRIGHT, kind), f"a.{kind}")
    assert (seen.width_px, seen.height_px) == (320, 240)
    assert seen.pixels[20, 20, 2] > 180
    assert not seen.pixels.flags.writeable


def test_grey_and_16_bit_pictures_become_colour():
    deep = Image.fromarray((np.linspace(0, 1, 240 * 320).reshape(240, 320) * 65535).astype(np.uint16))
    out = io.BytesIO()
    deep.save(out, "TIFF")
    seen = photo.decode(out.getvalue(), "deep.tif").pixels
    assert seen.shape == (240, 320, 3)
    assert seen[0, 0, 0] == 0
    assert seen[-1, -1, 0] == 255


def test_camera_data():
    data = encode(
        UPRIGHT,
        root={0x010F: "Oak", 0x0110: "One"},
        camera={0x9003: "2026:05:04 03:02:01", 0x920A: 4.25, 0xA405: 26, 0x8827: 1600},
    )
    seen = photo.decode(data, "a.jpg")
    assert seen.camera == "Oak One"
    assert seen.taken == "2026-05-04T03:02:01"
    assert (seen.focal_mm, seen.focal_35mm_mm) == (4.25, 26.0)
    assert seen.sensitivity == 1600.0
    assert seen.sha256 == hashlib.sha256(data).hexdigest()


def test_no_camera_data():
    seen = photo.decode(encode(UPRIGHT, "PNG"), "a.png")
    assert (seen.camera, seen.taken, seen.focal_mm, seen.sensitivity) == (None, None, None, None)


def test_the_first_of_several_sensitivities_is_the_photo_s():
    # The tag may hold several values (CIPA DC-008, Exif 2.32, table 7: PhotographicSensitivity, count "any").
    assert photo.decode(encode(UPRIGHT, camera={0x8827: (800, 0)}), "a.jpg").sensitivity == 800.0


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "is empty"),
        (b"not a photo at all", "is not a photo"),
        (encode(np.random.default_rng(1).integers(0, 255, (600, 800, 3), dtype=np.uint8))[:90000], "is broken"),
        (encode(UPRIGHT[:50, :50]), "only 50 x 50"),
    ],
)
def test_bad_bytes_are_refused(data, says):
    with pytest.raises(PhotoError, match=says):
        photo.decode(data, "a.jpg")


def test_bad_paths_are_refused(tmp_path):
    with pytest.raises(PhotoError, match="is a folder"):
        files.load_photo(tmp_path)
    with pytest.raises(PhotoError, match="there is no photo"):
        files.load_photo(tmp_path / "none.jpg")


def test_the_same_photo_twice_is_refused(tmp_path):
    for name in ("a.jpg", "b.jpg"):
        (tmp_path / name).write_bytes(encode(UPRIGHT))
    with pytest.raises(PhotoError, match=r"b\.jpg and a\.jpg are the same photo"):
        files.load_photos([tmp_path / "a.jpg", tmp_path / "b.jpg"])


def test_a_jpeg_has_the_pixels_that_pillow_reads():
    data = encode(np.random.default_rng(2).integers(0, 255, (300, 400, 3), dtype=np.uint8))
    with Image.open(io.BytesIO(data)) as image:
        rgb = np.asarray(image)
    read = photo.decode(data, "a.jpg").pixels.astype(int)
    assert np.abs(read - rgb[:, :, ::-1]).max() <= 2  # two builds of the codec may round otherwise


def test_a_cut_jpeg_is_refused_although_a_thumbnail_in_it_has_its_end():
    data = encode(np.random.default_rng(3).integers(0, 255, (600, 800, 3), dtype=np.uint8))
    comment = b"\xff\xd8 a thumbnail \xff\xd9"
    with_end = data[:2] + b"\xff\xfe" + (len(comment) + 2).to_bytes(2, "big") + comment + data[2:]
    assert photo.decode(with_end, "a.jpg").pixels.shape == (600, 800, 3)
    with pytest.raises(PhotoError, match="is broken"):
        photo.decode(with_end[:-2000], "a.jpg")
