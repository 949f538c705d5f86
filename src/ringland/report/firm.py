"""The user's own firm: name, address, logo and labour rate, from a small TOML file."""

import base64
import tomllib
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path

from ringland.errors import SettingError

__all__ = ["Firm", "load_firm", "logo_of"]

LARGEST_LOGO_BYTES = 1_000_000
LARGEST_LOGO_SIDE = 4000
_LONGEST_LINE = 120
_MOST_LINES = 8
_TEXTS = ("name", "telephone", "email", "website", "currency", "logo")
_EXAMPLE = 'name = "Marrow Valley Workshop"\\naddress = ["Depot Lane 4", "Marrow"]'
_MEDIA = {"PNG": "image/png", "JPEG": "image/jpeg"}


@dataclass(frozen=True)
class Firm:
    """Who writes the report. `logo` is base64 of a PNG or JPEG of type `logo_type` and of
    `logo_size` (width, height in pixels), or "".

    `labour_per_hour` is in `currency`; None when the firm does not say.
    """

    name: str = ""
    address: tuple[str, ...] = ()
    telephone: str = ""
    email: str = ""
    website: str = ""
    logo: str = ""
    logo_type: str = ""
    logo_size: tuple[int, int] = (0, 0)
    labour_per_hour: float | None = None
    currency: str = "EUR"


def load_firm(path: Path | str) -> Firm:
    """The firm in a TOML file; a logo is named relative to it.

    Fields, all optional: name, address (list of lines), telephone, email, website, logo (file
    name), labour_per_hour, currency. Raises SettingError.
    """
    path = Path(path)
    try:
        given = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise SettingError(
            "The firm's file cannot be read.",
            got=f"{path.name}: {error}",
            allowed=f"a TOML file such as {_EXAMPLE}",
        ) from error
    allowed = (*_TEXTS, "address", "labour_per_hour")
    unknown = sorted(set(given) - set(allowed))
    if unknown:
        raise SettingError(
            "The firm's file has fields that mean nothing here.",
            got=", ".join(unknown),
            allowed=", ".join(allowed),
        )
    texts = {name: _line(name, given.get(name, "")) for name in _TEXTS}
    logo = logo_of(path.parent / texts["logo"]) if texts["logo"] else ("", "", (0, 0))
    return Firm(
        name=texts["name"],
        address=_address(given.get("address", [])),
        telephone=texts["telephone"],
        email=texts["email"],
        website=texts["website"],
        logo=logo[0],
        logo_type=logo[1],
        logo_size=logo[2],
        labour_per_hour=_rate(given.get("labour_per_hour")),
        currency=texts["currency"] or "EUR",
    )


def _line(name: str, value: object) -> str:
    if not isinstance(value, str) or len(value) > _LONGEST_LINE or "\n" in value:
        raise SettingError(
            f"`{name}` in the firm's file is not one short line of text.",
            got=repr(value)[:80],
            allowed=f"a text of at most {_LONGEST_LINE} characters",
        )
    return value.strip()


def _address(value: object) -> tuple[str, ...]:
    if not isinstance(value, list) or len(value) > _MOST_LINES:
        raise SettingError(
            "`address` in the firm's file is not a list of lines.",
            got=repr(value)[:80],
            allowed=f"up to {_MOST_LINES} lines, each a text",
        )
    return tuple(_line("address", line) for line in value)


def _rate(value: object) -> float | None:
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value < 1e6:
        raise SettingError(
            "`labour_per_hour` in the firm's file is not a price.",
            got=repr(value)[:80],
            allowed="a number above 0",
        )
    return float(value)


def logo_of(path: Path) -> tuple[str, str, tuple[int, int]]:
    """Base64, media type and size of a logo, after looking at what is really in the file. Raises
    SettingError."""
    from PIL import Image

    allowed = (
        f"a PNG or JPEG of at most {LARGEST_LOGO_BYTES // 1000} kB and {LARGEST_LOGO_SIDE} pixels "
        "a side"
    )

    def refuse(got: str) -> SettingError:
        return SettingError(
            "The logo cannot be used.",
            got=f"{path.name}: {got}",
            allowed=allowed,
            remedy="Save it as PNG in a smaller size.",
        )

    try:
        with path.open("rb") as file:
            content = file.read(LARGEST_LOGO_BYTES + 1)
    except OSError as error:
        raise refuse(error.strerror or str(error)) from error
    if len(content) > LARGEST_LOGO_BYTES:
        raise refuse("larger than that")
    try:
        with Image.open(BytesIO(content), formats=tuple(_MEDIA)) as image:
            width, height, form = image.width, image.height, image.format or ""
            if max(width, height) <= LARGEST_LOGO_SIDE:
                image.verify()
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError) as error:
        raise refuse("not a picture of that kind, or damaged") from error
    if max(width, height) > LARGEST_LOGO_SIDE:
        raise refuse(f"{width} by {height} pixels")
    return base64.b64encode(content).decode("ascii"), _MEDIA[form], (width, height)
