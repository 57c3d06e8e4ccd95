"""Photos for pages: decoded within limits, upright, small, and without where they were taken.

The original stays as it is, in the folder and in the archive. What goes into a
page is a new image made of the pixels alone, so that neither the place, the
time nor the serial number of a camera is published with it.
"""

import base64
import io
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from thermlab.base.errors import InputError, Problem, shown
from thermlab.base.files import PathRefusedError, inside, read_plain

MAX_BYTES = 40 << 20
MAX_PIXELS = 64_000_000
MAX_PHOTOS = 12
FORMATS = ("JPEG", "PNG")
LONG_EDGE_PX = 1000
_QUALITY = 80
_ALLOWED = f"a JPEG or PNG photo of at most {MAX_BYTES >> 20} MiB and {MAX_PIXELS // 1_000_000} million pixels"


@dataclass(frozen=True, slots=True, kw_only=True)
class Photo:
    """A photo as it goes into a page.

    Attributes
    ----------
    name : str
        Path of the original, relative to its folder.
    alt : str
        What it shows, in words.
    jpeg : bytes
        Pixels alone, at most 1000 px on the long edge.
    width_px, height_px : int
        Size.
    """

    name: str
    alt: str
    jpeg: bytes
    width_px: int
    height_px: int

    @property
    def source(self) -> str:
        """The photo as a ``data:`` address for the ``src`` of an ``img``."""
        return "data:image/jpeg;base64," + base64.b64encode(self.jpeg).decode("ascii")


def read_photos(folder: Path, named: Sequence[tuple[str, str]]) -> tuple[Photo, ...]:
    """Read photos of a campaign or build for a page.

    Parameters
    ----------
    folder : Path
        The folder; paths may not leave it.
    named : sequence of (path, alt)
        Path relative to the folder and what the photo shows.

    Returns
    -------
    tuple of Photo
        In the order given.

    Raises
    ------
    InputError
        Every photo that cannot be used, with the reason.
    """
    photos: list[Photo] = []
    problems: list[Problem] = []
    for name, alt in named:
        try:
            photos.append(read_photo(folder, name, alt=alt))
        except InputError as error:
            problems += error.problems
    if problems:
        raise InputError(problems)
    return tuple(photos)


def read_photo(folder: Path, name: str, *, alt: str) -> Photo:
    """Read one photo for a page.

    Parameters
    ----------
    folder : Path
        Where the path starts; it may not leave it.
    name : str
        Path relative to the folder.
    alt : str
        What the photo shows.

    Returns
    -------
    Photo
        Turned upright, reduced, and without metadata.

    Raises
    ------
    InputError
        It is missing, leaves the folder, is too large, or is no photo.
    """
    try:
        return _decode(read_plain(inside(folder, name), MAX_BYTES), name, alt)
    except PathRefusedError as refused:
        found = refused.found
    # A decoder raises what it likes on bytes made to break it; none of it may end a report without a reason.
    except Exception as error:  # noqa: BLE001
        found = f"what cannot be decoded ({shown(error, quoted=False)})"
    raise InputError([Problem(shown(name, quoted=False), found, _ALLOWED)])


def _decode(content: bytes, name: str, alt: str) -> Photo:
    from PIL import Image, ImageOps  # noqa: PLC0415 - only pages with photos pay for it

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # odd metadata is not worth a word: it is dropped
        with Image.open(io.BytesIO(content), formats=FORMATS) as opened:
            # The size stands in the header: an image made to fill the memory is refused before it is unpacked.
            width, height = opened.size
            if width * height > MAX_PIXELS:
                raise PathRefusedError(f"{width} x {height} pixels")
            opened.draft("RGB", (2 * LONG_EDGE_PX, 2 * LONG_EDGE_PX))
            opened.thumbnail((LONG_EDGE_PX, LONG_EDGE_PX))
            upright = ImageOps.exif_transpose(opened).convert("RGBA")
    # A new image of the pixels alone, on white where the photo is transparent.
    small = Image.new("RGB", upright.size, "white")
    small.paste(upright, mask=upright.getchannel("A"))
    out = io.BytesIO()
    small.save(out, format="JPEG", quality=_QUALITY, optimize=True)
    return Photo(name=name, alt=alt, jpeg=out.getvalue(), width_px=small.width, height_px=small.height)
