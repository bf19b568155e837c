"""A figure as SVG inside a page: both grounds in one drawing, styles as classes, greys as greys.

The same figure is drawn on the light and on the dark ground. The two files differ in colours
alone, so one drawing goes into the page, and each style that differs becomes a class with two
colours. A page then needs no style attribute, which its security policy would have to allow.
"""

from __future__ import annotations

import base64
import io
import re
from typing import TYPE_CHECKING
from xml.etree import ElementTree

from entrypoint.errors import GeometryError

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

__all__ = ["Styles", "inline_svg", "smaller_png"]

_SVG, _XLINK = "{http://www.w3.org/2000/svg}", "{http://www.w3.org/1999/xlink}"
_TAGS = {"svg", "g", "defs", "path", "use", "image", "text", "tspan", "clipPath", "rect", "pattern"}
_ATTRIBUTES = {
    "id", "d", "x", "y", "width", "height", "transform", "viewBox", "clip-path", "patternUnits",
    "class", "href", "fill", "version", "type",
}  # fmt: skip
_REFERENCE = re.compile(r"url\(#([^)]+)\)")
_POINTED_AT = re.compile(r"""(?:url\(|href=")#([^)"]+)""")
_DATA = "data:image/png;base64,"


class Styles:
    """Classes for the styles of many drawings, each a rule for the light and the dark ground.

    Parameters
    ----------
    swapped : mapping, optional
        Colours that are written in place of others, in both grounds.
    """

    def __init__(self, swapped: dict[str, str] | None = None) -> None:
        self._names: dict[tuple[str, str], str] = {}
        self._swapped = swapped or {}

    def name(self, light: str, dark: str) -> str:
        """The class of a pair of styles."""
        pair = (self._tidy(light), self._tidy(dark))
        return self._names.setdefault(pair, f"f{len(self._names)}")

    def _tidy(self, style: str) -> str:
        style = re.sub(r"\s*([:;])\s*", r"\1", style.strip().rstrip(";"))
        for old, new in self._swapped.items():
            style = style.replace(old, new)
        return style

    def rules(self) -> tuple[str, str]:
        """Style rules for the light ground, and what the dark one changes in them."""
        light = [f".{name}{{{pair[0]}}}" for pair, name in self._names.items()]
        dark = [f".{n}{{{pair[1]}}}" for pair, n in self._names.items() if pair[0] != pair[1]]
        return "\n".join(light), "\n".join(dark)


def inline_svg(
    light: bytes, dark: bytes, styles: Styles, *, name: str, title: str, says: str
) -> str:
    """One drawing for a page out of the same figure on both grounds.

    Parameters
    ----------
    light, dark : bytes
        SVG files of the same figure (``save.to_bytes``).
    styles : Styles
        Takes up what the drawing is styled with.
    name : str
        Put before its identifiers: no two on a page are the same.
    title, says : str
        For whoever does not see it.

    Returns
    -------
    str
        An ``svg`` element.

    Raises
    ------
    GeometryError
        When the two differ in more than their colours.
    """
    one, other = ElementTree.fromstring(light), ElementTree.fromstring(dark)
    wanted = set(_POINTED_AT.findall(light.decode("utf-8")))
    merged = _merged(one, other, styles, name, wanted)
    merged.attrib.pop("width", None)
    merged.attrib.pop("height", None)
    merged.set("role", "img")
    merged.set("aria-labelledby", f"{name}-title {name}-says")
    for tag, text in (("desc", says), ("title", title)):
        told = ElementTree.Element(tag, {"id": f"{name}-{'says' if tag == 'desc' else tag}"})
        told.text = text
        merged.insert(0, told)
    return ElementTree.tostring(merged, encoding="unicode")


def _merged(
    one: Element, other: Element, styles: Styles, name: str, wanted: set[str]
) -> Element:
    tag = one.tag.removeprefix(_SVG)
    if one.tag != other.tag or tag not in _TAGS:
        raise _unlike(f"{tag} and {other.tag.removeprefix(_SVG)}")
    made = ElementTree.Element(tag)
    made.text, made.tail = _squeezed(one.text, tag), _squeezed(one.tail, "")
    for key, value in one.attrib.items():
        key = key.removeprefix(_XLINK)
        if key == "id":
            # A figure may mark several parts alike: only what something points to keeps its name.
            if value in wanted:
                made.set("id", f"{name}-{value}")
        elif key == "href":
            made.set("href", _reference(value, name))
        elif key in _ATTRIBUTES:
            value = _REFERENCE.sub(rf"url(#{name}-\1)", value)
            made.set(key, _squeezed(value, "") or value if key == "d" else value)
        elif key != "style":
            raise _unlike(f"an attribute {key}")
    style = one.get("style", "")
    if style:
        # A pattern's own name tells its colour: both grounds use the one that is kept.
        dark = other.get("style", "")
        for ours, theirs in zip(_REFERENCE.findall(style), _REFERENCE.findall(dark), strict=True):
            dark = dark.replace(theirs, ours)
        pair = (_REFERENCE.sub(rf"url(#{name}-\1)", text) for text in (style, dark))
        made.set("class", styles.name(*pair))
    here = [child for child in one if child.tag.removeprefix(_SVG) in _TAGS]
    there = [child for child in other if child.tag.removeprefix(_SVG) in _TAGS]
    if len(here) != len(there):
        raise _unlike(f"{len(here)} and {len(there)} parts")
    if tag == "defs" and not here:
        return made
    made.extend(_merged(a, b, styles, name, wanted) for a, b in zip(here, there, strict=True))
    return made


def _squeezed(text: str | None, tag: str) -> str | None:
    if text is None or tag in ("text", "tspan"):
        return text
    return re.sub(r"\s+", " ", text).strip() or None


def _reference(value: str, name: str) -> str:
    """A place in the same drawing, or a picture that the page holds itself; nothing else."""
    if value.startswith("#"):
        return f"#{name}-{value[1:]}"
    if value.startswith(_DATA):
        content = base64.b64decode("".join(value[len(_DATA) :].split()))
        return _DATA + base64.b64encode(smaller_png(content)).decode()
    raise _unlike("a reference to the outside")


def smaller_png(content: bytes, *, colours: int | None = None) -> bytes:
    """The same picture in fewer bytes: one channel where it is grey.

    Parameters
    ----------
    content : bytes
        A PNG.
    colours : int, optional
        At most so many, for a picture that is not grey.
    """
    from PIL import Image, ImageChops

    image: Image.Image = Image.open(io.BytesIO(content))
    red, green, blue, alpha = image.convert("RGBA").split()
    opaque = alpha.getextrema()[0] == 255
    grey = all(
        ImageChops.difference(red, c).getextrema()[1] == 0 for c in (green, blue)
    )  # fmt: skip
    if grey:
        image = red if opaque else Image.merge("LA", (red, alpha))
    elif opaque:
        image = Image.merge("RGB", (red, green, blue))
        if colours is not None:
            image = image.quantize(colours, dither=Image.Dither.NONE)
    packed = io.BytesIO()
    image.save(packed, format="PNG", compress_level=6)
    return packed.getvalue()


def _unlike(found: str) -> GeometryError:
    return GeometryError(
        found=f"a drawing that is not the same on both grounds ({found})",
        expected="one that differs in its colours alone",
        next_step="report it: the figure draws something that a page cannot hold",
    )
