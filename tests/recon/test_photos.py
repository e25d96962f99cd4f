"""Photos taken in: what is refused and in which words, what is stripped, what EXIF says of the lens."""

from __future__ import annotations

import io
import struct

import numpy as np
import pytest
from PIL import ExifTags, Image, TiffImagePlugin

from elbowroom.recon.reading.photos import import_photo
from elbowroom.shared.errors import InputError
from elbowroom.shared.media import digest

GPS, INNER = 0x8825, 0x8769
XMP = b"http://ns.adobe.com/xap/1.0/\x00<x:xmpmeta xmlns:x='adobe:ns:meta/'><rdf>somewhere</rdf></x:xmpmeta>"


def picture(width: int = 640, height: int = 480) -> Image.Image:
    rows, columns = np.mgrid[:height, :width]
    grey = np.stack([rows % 256, columns % 256, (rows + columns) % 256], axis=-1).astype(np.uint8)
    return Image.fromarray(grey)


def phone_jpeg(**options: object) -> bytes:
    """Return a JPEG as a phone writes it: make, model, focal length, place, maker's note, XMP, a comment."""
    image, exif = picture(), Image.Exif()
    exif[ExifTags.Base.Make], exif[ExifTags.Base.Model] = "Maker", "Phone 1"
    exif[ExifTags.Base.Orientation] = 6
    inner = exif.get_ifd(INNER)
    inner[ExifTags.Base.FocalLength] = TiffImagePlugin.IFDRational(42, 10)
    inner[ExifTags.Base.FocalLengthIn35mmFilm] = 26
    inner[ExifTags.Base.MakerNote] = b"secret serial 12345"
    place = exif.get_ifd(GPS)
    place[1], place[2] = "N", (51.0, 28.0, 40.0)
    out = io.BytesIO()
    image.save(out, "JPEG", quality=90, exif=exif, comment=b"by somebody", **options)
    data = out.getvalue()
    segment = b"\xff\xe1" + (len(XMP) + 2).to_bytes(2, "big") + XMP
    return data[:2] + segment + data[2:]


def jpeg_claiming(width: int, height: int) -> bytes:
    """Return a JPEG whose frame header claims another size."""
    data = phone_jpeg()
    at = data.index(b"\xff\xc0") + 5  # marker, length, bits a sample; then height and width
    return data[:at] + struct.pack(">HH", height, width) + data[at + 4 :]


@pytest.mark.parametrize("progressive", [False, True])
def test_the_place_goes_and_the_pixels_stay(progressive: bool) -> None:
    data = phone_jpeg(progressive=progressive)
    photo, _, kept, findings = import_photo("folder/a.jpg", data)
    before, after = (Image.open(io.BytesIO(d)) for d in (data, kept))
    assert before.getexif().get_ifd(GPS)
    assert not after.getexif().get_ifd(GPS)
    assert "xmp" not in after.info
    assert "comment" not in after.info
    for secret in (b"secret serial", b"somewhere", b"by somebody", b"xap/1.0"):
        assert secret in data
        assert secret not in kept
    np.testing.assert_array_equal(np.asarray(after), np.asarray(before))
    assert [f.code for f in findings] == ["place-removed"]
    assert photo.name == "a.jpg"
    assert photo.media == digest(kept)
    assert (photo.width_px, photo.height_px, photo.orientation) == (640, 480, 6)


def test_taking_in_again_changes_nothing() -> None:
    _, _, kept, _ = import_photo("a.jpg", phone_jpeg())
    _, _, again, findings = import_photo("a.jpg", kept)
    assert again == kept
    assert findings == []


def test_what_follows_the_picture_goes_too() -> None:
    data = phone_jpeg()
    _, _, kept, _ = import_photo("a.jpg", data + b"\x00\x00ftypmp42 a short video")
    assert b"ftypmp42" not in kept
    assert kept == import_photo("a.jpg", data)[2]


def test_exif_gives_the_first_focal_length() -> None:
    _, lens, _, _ = import_photo("a.jpg", phone_jpeg())
    # CIPA DC-008 (Exif): the 35 mm equivalent refers to the diagonal of 24 x 36 mm; 800 px is this photo's
    assert lens.focal_px == pytest.approx(26 / np.hypot(24, 36) * 800, rel=1e-4)
    assert lens.focal_sd_px == pytest.approx(0.1 * lens.focal_px)
    assert lens.name == "Maker Phone 1 4.2 mm 640x480"
    assert (lens.cx_px, lens.cy_px) == (319.5, 239.5)


def test_without_exif_the_focal_length_is_a_wide_guess() -> None:
    out = io.BytesIO()
    picture().save(out, "JPEG")
    _, lens, _, findings = import_photo("a.jpg", out.getvalue())
    assert lens.focal_px == pytest.approx(0.85 * 640)
    assert lens.focal_sd_px == pytest.approx(0.5 * lens.focal_px)
    assert findings == []


@pytest.mark.parametrize("film", [0, 65535])
def test_a_senseless_focal_length_is_not_believed(film: int) -> None:
    exif = Image.Exif()
    exif[ExifTags.Base.Make] = "Maker"  # without a tag of its own Pillow writes no EXIF at all
    exif.get_ifd(INNER)[ExifTags.Base.FocalLengthIn35mmFilm] = film
    out = io.BytesIO()
    picture().save(out, "JPEG", exif=exif)
    assert Image.open(io.BytesIO(out.getvalue())).getexif().get_ifd(INNER)
    _, lens, _, _ = import_photo("a.jpg", out.getvalue())
    assert lens.focal_sd_px == pytest.approx(0.5 * lens.focal_px)


@pytest.mark.parametrize("mode", ["RGB", "L", "RGBA", "P"])
def test_a_png_keeps_its_pixels_and_loses_its_texts(mode: str) -> None:
    image, out = picture().convert(mode), io.BytesIO()
    from PIL.PngImagePlugin import PngInfo

    texts = PngInfo()
    texts.add_text("Location", "somewhere")
    exif = Image.Exif()
    exif[ExifTags.Base.Make] = "Maker"
    exif.get_ifd(INNER)[ExifTags.Base.FocalLengthIn35mmFilm] = 26
    exif.get_ifd(GPS)[1] = "N"
    image.save(out, "PNG", pnginfo=texts, exif=exif)
    photo, lens, kept, findings = import_photo("a.png", out.getvalue())
    assert lens.focal_sd_px == pytest.approx(0.1 * lens.focal_px)
    assert [f.code for f in findings] == ["place-removed"]
    after = Image.open(io.BytesIO(kept))
    assert b"somewhere" not in kept
    assert not dict(after.getexif())
    np.testing.assert_array_equal(np.asarray(after), np.asarray(image.convert("RGB")))
    assert photo.width_px == 640


@pytest.mark.parametrize("share", [0.3, 0.6, 0.95])
def test_a_photo_cut_short_is_refused(share: float) -> None:
    data = phone_jpeg()
    with pytest.raises(
        InputError, match=r"a.jpg: the photo is cut short: .*value \d+ bytes; copy it from the phone"
    ):
        import_photo("a.jpg", data[: int(share * len(data))])


def test_a_header_cut_short_is_refused() -> None:
    with pytest.raises(
        InputError, match=r"not a photo this program reads.*send the photo as the phone saved it"
    ):
        import_photo("a.jpg", phone_jpeg()[:300])


def test_a_png_cut_short_is_refused() -> None:
    out = io.BytesIO()
    picture().save(out, "PNG")
    with pytest.raises(InputError, match=r"a.png: the photo's data is damaged or cut short; copy it"):
        import_photo("a.png", out.getvalue()[: len(out.getvalue()) // 2])


def test_two_hundred_megapixels_are_refused_from_the_header_alone() -> None:
    with pytest.raises(
        InputError,
        match=r"too many pixels; value 16384 x 12288 = 201 megapixels; limit 110 megapixels; set the",
    ):
        import_photo("a.jpg", jpeg_claiming(16384, 12288))


def test_a_tiny_picture_is_refused() -> None:
    out = io.BytesIO()
    picture(120, 90).save(out, "JPEG")
    with pytest.raises(InputError, match="too small to measure in; value 120 x 90 px; limit 200 px"):
        import_photo("a.jpg", out.getvalue())


def test_heic_without_its_reader_says_what_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "pillow_heif", None)
    data = b"\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic" + bytes(100)
    with pytest.raises(
        InputError, match=r"a.heic: this is a HEIC photo and the reader .* install elbowroom\[heic\]"
    ):
        import_photo("a.heic", data)


@pytest.mark.parametrize(
    "data", [b"", b"only words", b"\xff\xd8", b"GIF89a" + bytes(50), b"%PDF-1.7 " + bytes(90)]
)
def test_what_is_no_photo_is_refused_whatever_its_name(data: bytes) -> None:
    with pytest.raises(InputError, match=r"a.jpg: .*(not a photo this program reads|cut short)"):
        import_photo("../../a.jpg", data)


def test_another_picture_format_is_refused_by_name() -> None:
    out = io.BytesIO()
    picture().save(out, "BMP")
    with pytest.raises(
        InputError, match="not a photo this program reads; value BMP; limit JPEG, PNG or HEIC"
    ):
        import_photo("a.jpg", out.getvalue())


def test_too_many_bytes_are_refused_unread() -> None:
    with pytest.raises(InputError, match="too large; value 81 MB; limit 80 MB; send the photo"):
        import_photo("a.jpg", bytes(81_000_000))


@pytest.mark.parametrize("name", ["C:\\photos\\a.jpg", "/etc/a.jpg", "../a.jpg"])
def test_folders_in_a_name_are_dropped(name: str) -> None:
    assert import_photo(name, phone_jpeg())[0].name == "a.jpg"


def test_broken_exif_costs_the_exif_not_the_photo() -> None:
    rng, data = np.random.default_rng(0), phone_jpeg()
    inside = range(data.index(b"Exif") + 6, data.index(b"\xff\xdb"))
    for _ in range(200):
        spoiled = bytearray(data)
        for at in rng.choice(inside, 8):
            spoiled[at] = rng.integers(0, 256)
        try:
            _, _, kept, _ = import_photo("a.jpg", bytes(spoiled))
        except InputError:  # the damage hit a segment's length
            continue
        np.testing.assert_array_equal(
            np.asarray(Image.open(io.BytesIO(kept))), np.asarray(Image.open(io.BytesIO(data)))
        )
