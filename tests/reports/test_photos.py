"""Photos in pages: no place, no time, no serial number, no way to fill the memory."""

import io
import struct
import zlib

import pytest
from PIL import Image

from thermlab.base.errors import InputError
from thermlab.reports.photos import LONG_EDGE_PX, read_photo, read_photos

GPS_IFD = 0x8825


def photo_with_place(orientation=1, size=(640, 480)):
    image = Image.new("RGB", size, "grey")
    image.paste((200, 0, 0), (0, 0, size[0] // 2, size[1] // 2))
    exif = Image.Exif()
    exif[0x010F] = "Camera maker"
    exif[0x0112] = orientation
    exif[0x0132] = "2026:03:04 10:00:00"
    exif.get_ifd(GPS_IFD).update({1: "N", 2: (48.0, 8.0, 14.5), 3: "E", 4: (11.0, 34.0, 31.5)})
    out = io.BytesIO()
    image.save(out, format="JPEG", exif=exif, comment=b"SECRETCOMMENT", quality=90)
    return out.getvalue()


def png_header(width, height):
    def chunk(kind, body):
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(b"\0" * 100)) + chunk(b"IEND", b"")
    )


def write(folder, name, content):
    place = folder / name
    place.parent.mkdir(parents=True, exist_ok=True)
    place.write_bytes(content)
    return name


def test_the_original_has_a_place_and_the_page_has_none(tmp_path):
    content = photo_with_place()
    assert Image.open(io.BytesIO(content)).getexif().get_ifd(GPS_IFD)[2] == (48.0, 8.0, 14.5)

    photo = read_photo(tmp_path, write(tmp_path, "photos/a b.jpg", content), alt="The mount")

    shown = Image.open(io.BytesIO(photo.jpeg))
    assert dict(shown.getexif()) == {}
    assert "exif" not in shown.info
    assert "comment" not in shown.info
    for secret in (b"Exif", b"Camera maker", b"2026:03:04", b"SECRETCOMMENT", b"http://ns.adobe.com"):
        assert secret not in photo.jpeg
    assert (tmp_path / "photos/a b.jpg").read_bytes() == content


def test_a_photo_taken_sideways_is_shown_upright(tmp_path):
    photo = read_photo(tmp_path, write(tmp_path, "a.jpg", photo_with_place(orientation=6)), alt="")

    assert (photo.width_px, photo.height_px) == (480, 640)
    red = Image.open(io.BytesIO(photo.jpeg)).getpixel((400, 100))
    assert red[0] > 150 > red[1]


def test_a_large_photo_becomes_small(tmp_path):
    photo = read_photo(tmp_path, write(tmp_path, "a.jpg", photo_with_place(size=(4000, 3000))), alt="")

    assert (photo.width_px, photo.height_px) == (LONG_EDGE_PX, LONG_EDGE_PX * 3 // 4)
    assert photo.source.startswith("data:image/jpeg;base64,")


def test_transparent_parts_become_white(tmp_path):
    out = io.BytesIO()
    Image.new("RGBA", (20, 20), (0, 0, 0, 0)).save(out, format="PNG")

    photo = read_photo(tmp_path, write(tmp_path, "a.png", out.getvalue()), alt="")

    assert Image.open(io.BytesIO(photo.jpeg)).getpixel((5, 5)) == (255, 255, 255)


@pytest.mark.parametrize(
    ("edge", "found"), [(9_000, "9000 x 9000 pixels"), (60_000, r"what cannot be decoded \(Image size")]
)
def test_an_image_that_would_fill_the_memory_is_refused_by_its_header(tmp_path, edge, found):
    write(tmp_path, "bomb.png", png_header(edge, edge))

    with pytest.raises(InputError, match=rf"bomb\.png: found {found}.*; allowed: .* 64 million pixels"):
        read_photo(tmp_path, "bomb.png", alt="")


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"not an image",
        photo_with_place()[:900],
        png_header(10, 10),
        b"GIF89a" + b"\0" * 50,
        b"<svg onload='alert(1)'/>",
    ],
)
def test_what_is_no_photo_is_refused_with_its_name(tmp_path, content):
    write(tmp_path, "x.jpg", content)

    with pytest.raises(InputError, match=r"x\.jpg: found .*; allowed: a JPEG or PNG photo"):
        read_photo(tmp_path, "x.jpg", alt="")


def test_a_format_by_another_name_is_refused(tmp_path):
    out = io.BytesIO()
    Image.new("RGB", (8, 8)).save(out, format="TIFF")
    write(tmp_path, "x.jpg", out.getvalue())

    with pytest.raises(InputError, match="cannot be decoded"):
        read_photo(tmp_path, "x.jpg", alt="")


def test_paths_cannot_leave_the_folder(tmp_path):
    write(tmp_path, "secret.jpg", photo_with_place())
    (tmp_path / "build").mkdir()
    (tmp_path / "build/link.jpg").symlink_to(tmp_path / "secret.jpg")

    for name in ("../secret.jpg", str(tmp_path / "secret.jpg"), "link.jpg"):
        with pytest.raises(InputError):
            read_photo(tmp_path / "build", name, alt="")


def test_every_bad_photo_is_named_at_once(tmp_path):
    write(tmp_path, "good.jpg", photo_with_place())
    write(tmp_path, "bad.jpg", b"no")

    with pytest.raises(InputError) as caught:
        read_photos(tmp_path, [("good.jpg", ""), ("bad.jpg", ""), ("gone.jpg", "")])

    assert [problem.where for problem in caught.value.problems] == ["bad.jpg", "gone.jpg"]
