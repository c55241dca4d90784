"""How a GIS draws the layers: the page's colours and labels as QML (QGIS) and as SLD 1.0.0 (OGC 02-070).

A GeoPackage carries both in a table ``layer_styles``, from which QGIS takes the default style of each layer. A GeoTIFF
of float values has no place for colours: its styles lie beside it under its own name, where a GIS looks for them.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from xml.etree.ElementTree import Element, SubElement, indent, tostring

import pandas as pd
import pyogrio

from vinemap.exports.colours import ACTION_COLOURS, injury_stops
from vinemap.sentences import Sentence

_INK, _PAPER = "#2b2620", "#ffffff"
_STEP_PCT = 10
_SLD = {
    "version": "1.0.0",
    "xmlns": "http://www.opengis.net/sld",
    "xmlns:ogc": "http://www.opengis.net/ogc",
}
# QGIS reads a file of its own version and of every later one.
_QML = {"version": "3.18", "styleCategories": "Symbology|Labeling", "labelsEnabled": "1"}


@dataclass(frozen=True)
class Fill:
    """How one class of a layer is drawn.

    Attributes
    ----------
    title : str
        In the legend.
    colour : str or None
        As ``#rrggbb``; None leaves the inside open.
    value : str or None
        Of the field, for a class of one value.
    between : (float, float) or None
        Of the field, for a class of figures: from the first to below the second.
    """

    title: str
    colour: str | None
    value: str | None = None
    between: tuple[float, float] | None = None


@dataclass(frozen=True)
class Style:
    """How a layer is drawn.

    Attributes
    ----------
    layer : str
        Its name.
    field : str or None
        Column that the classes go by; None draws all alike.
    fills : tuple of Fill
        The classes.
    label : str
        Column whose text stands on each shape.
    second : str or None
        Column of a percentage under it.
    points : bool
        Whether the layer holds points.
    """

    layer: str
    field: str | None
    fills: tuple[Fill, ...]
    label: str
    second: str | None = None
    points: bool = False


def map_styles(language: str, actions: Iterable[str]) -> list[Style]:
    """Return the styles of the layers zones, blocks and samples.

    Parameters
    ----------
    language : str
        Of the legend.
    actions : iterable of str
        Those that the zones have.

    Examples
    --------
    >>> from vinemap.exports.styles import map_styles
    >>> [fill.title for fill in map_styles("en", ["keep_more"])[0].fills]
    ['Keep more nodes']
    """
    present = set(actions)
    work = [
        Fill(Sentence(f"page.action.{action}").said(language), colour, action)
        for action, colour in ACTION_COLOURS.items()
        if action in present
    ]
    outline = Fill(Sentence("styles.block").said(language), None)
    return [
        Style("zones", "action", tuple(work), "zone"),
        Style("blocks", None, (outline,), "block", "map_injury_pct"),
        Style("samples", "injury_pct", _injury_classes(), "sample", points=True),
    ]


def _injury_classes() -> tuple[Fill, ...]:
    stops = injury_stops()
    lows = range(0, 100, _STEP_PCT)
    middles = [stops[round((low + _STEP_PCT / 2) / 100 * (len(stops) - 1))] for low in lows]
    # The last class holds 100 % itself.
    ends = [low + _STEP_PCT if low + _STEP_PCT < 100 else 100.1 for low in lows]
    return tuple(
        Fill(f"{low} – {low + _STEP_PCT} %", colour, between=(low, end))
        for low, end, colour in zip(lows, ends, middles, strict=True)
    )


def write_styles(styles: Iterable[Style], path: Path) -> None:
    """Add the table ``layer_styles`` to a GeoPackage, with the default style of each layer.

    Parameters
    ----------
    styles : iterable of Style
    path : Path
        The GeoPackage, which holds the layers.
    """
    rows = [
        {
            "f_table_catalog": "",
            "f_table_schema": "",
            "f_table_name": style.layer,
            "f_geometry_column": "geom",
            "styleName": style.layer,
            "styleQML": _text(layer_qml(style)),
            "styleSLD": _text(layer_sld(style)),
            "useAsDefault": True,
            "description": "",
            "owner": "",
            "ui": "",
            "update_time": pd.Timestamp.now("UTC").floor("ms"),
        }
        for style in styles
    ]
    pyogrio.write_dataframe(pd.DataFrame(rows), path, layer="layer_styles", driver="GPKG", layer_options={"FID": "id"})


def write_injury_styles(path: Path) -> None:
    """Write the colours of the first band of a GeoTIFF beside it, as .qml and .sld."""
    path.with_suffix(".qml").write_text(_text(grid_qml()), encoding="utf-8")
    path.with_suffix(".sld").write_text(_text(grid_sld(path.stem)), encoding="utf-8")


def layer_qml(style: Style) -> Element:
    """Return a layer's style as QGIS keeps it: renderer, symbols, labels."""
    root = Element("qgis", _QML)
    kind = "singleSymbol"
    if style.field is not None:
        kind = "categorizedSymbol" if style.fills[0].between is None else "graduatedSymbol"
    renderer = SubElement(root, "renderer-v2", type=kind, attr=style.field or "", enableorderby="0", symbollevels="0")
    if kind == "graduatedSymbol":
        renderer.set("graduatedMethod", "GraduatedColor")
    classes = {"categorizedSymbol": "categories", "graduatedSymbol": "ranges"}.get(kind)
    parent = None if classes is None else SubElement(renderer, classes)
    symbols = SubElement(renderer, "symbols")
    for number, fill in enumerate(style.fills):
        if parent is not None:
            _qml_class(parent, fill, str(number))
        _qml_symbol(symbols, style, fill, str(number))
    _qml_label(SubElement(root, "labeling", type="simple"), style)
    return root


def _qml_class(parent: Element, fill: Fill, symbol: str) -> None:
    shared = {"symbol": symbol, "label": fill.title, "render": "true"}
    if fill.between is None:
        SubElement(parent, "category", {"value": str(fill.value), "type": "string", **shared})
    else:
        low, high = fill.between
        SubElement(parent, "range", {"lower": f"{low:.6f}", "upper": f"{high:.6f}", **shared})


def _qml_symbol(symbols: Element, style: Style, fill: Fill, name: str) -> None:
    """Draw a shape: its fill under a thin dark line, or a dot with one."""
    symbol = SubElement(symbols, "symbol", name=name, type="marker" if style.points else "fill", alpha="1")
    marker = {"name": "circle", "size": "3.2", "size_unit": "MM"} if style.points else {}
    inside = {"style": "no"} if fill.colour is None else {"color": _rgba(fill.colour), "style": "solid"}
    line = {
        "outline_color": _rgba(_INK),
        "outline_style": "solid",
        "outline_width": "0.6" if fill.colour is None else "0.26",
        "outline_width_unit": "MM",
    }
    layer = SubElement(symbol, "layer", {"class": "SimpleMarker" if style.points else "SimpleFill", "enabled": "1"})
    options = SubElement(layer, "Option", type="Map")
    for key, value in {**marker, **inside, **line}.items():
        SubElement(options, "Option", name=key, type="QString", value=value)


def _qml_label(parent: Element, style: Style) -> None:
    settings = SubElement(parent, "settings", calloutType="simple")
    expression = f'"{style.label}"'
    if style.second is not None:
        expression += f" || coalesce('\\n' || round(\"{style.second}\") || ' %', '')"
    look = {
        "fontSize": "7" if style.points else "9",
        "fontSizeUnit": "Point",
        "textColor": _rgba(_INK),
        "textOpacity": "1",
    }
    text = SubElement(settings, "text-style", {"fieldName": expression, "isExpression": "1", **look})
    halo = {"bufferDraw": "1", "bufferSize": "0.8", "bufferSizeUnits": "MM", "bufferColor": _rgba(_PAPER)}
    SubElement(text, "text-buffer", {"bufferOpacity": "1", **halo})
    # 0 is QGIS's placement around a point, 4 the horizontal one inside an outline.
    SubElement(settings, "placement", placement="0" if style.points else "4", dist="1.2", distUnits="MM")
    SubElement(settings, "rendering", drawLabels="1", obstacle="1" if style.points else "0")


def layer_sld(style: Style) -> Element:
    """Return a layer's style as a Styled Layer Descriptor: a rule for each class, then one for the labels."""
    root, rules = _sld(style.layer)
    for fill in style.fills:
        rule = SubElement(rules, "Rule")
        SubElement(rule, "Title").text = fill.title
        if style.field is not None:
            _sld_filter(SubElement(rule, "ogc:Filter"), style.field, fill)
        if style.points:
            graphic = SubElement(SubElement(rule, "PointSymbolizer"), "Graphic")
            mark = SubElement(graphic, "Mark")
            SubElement(mark, "WellKnownName").text = "circle"
            _sld_shape(mark, fill)
            SubElement(graphic, "Size").text = "9"
        else:
            _sld_shape(SubElement(rule, "PolygonSymbolizer"), fill)
    text = SubElement(SubElement(rules, "Rule"), "TextSymbolizer")
    SubElement(SubElement(text, "Label"), "ogc:PropertyName").text = style.label
    halo = SubElement(text, "Halo")
    SubElement(halo, "Radius").text = "2"
    _css(SubElement(halo, "Fill"), fill=_PAPER)
    _css(SubElement(text, "Fill"), fill=_INK)
    return root


def _sld(name: str) -> tuple[Element, Element]:
    """Return a descriptor of one layer, and the place of its rules."""
    root = Element("StyledLayerDescriptor", _SLD)
    layer = SubElement(root, "NamedLayer")
    SubElement(layer, "Name").text = name
    return root, SubElement(SubElement(layer, "UserStyle"), "FeatureTypeStyle")


def _sld_filter(parent: Element, field: str, fill: Fill) -> None:
    if fill.between is None:
        _compare(parent, "PropertyIsEqualTo", field, str(fill.value))
        return
    both = SubElement(parent, "ogc:And")
    _compare(both, "PropertyIsGreaterThanOrEqualTo", field, f"{fill.between[0]:g}")
    _compare(both, "PropertyIsLessThan", field, f"{fill.between[1]:g}")


def _compare(parent: Element, how: str, field: str, value: str) -> None:
    comparison = SubElement(parent, f"ogc:{how}")
    SubElement(comparison, "ogc:PropertyName").text = field
    SubElement(comparison, "ogc:Literal").text = value


def _sld_shape(parent: Element, fill: Fill) -> None:
    if fill.colour is not None:
        _css(SubElement(parent, "Fill"), fill=fill.colour)
    _css(SubElement(parent, "Stroke"), stroke=_INK, stroke_width="2" if fill.colour is None else "0.8")


def _css(parent: Element, **values: str) -> None:
    for name, value in values.items():
        SubElement(parent, "CssParameter", name=name.replace("_", "-")).text = value


def grid_qml() -> Element:
    """Return the colours of injury, a fraction from 0 to 1, as QGIS keeps them."""
    root = Element("qgis", {"version": "3.18", "styleCategories": "Symbology"})
    ends = {"classificationMin": "0", "classificationMax": "1"}
    kind = {"type": "singlebandpseudocolor", "band": "1", "alphaBand": "-1", "opacity": "1"}
    renderer = SubElement(SubElement(root, "pipe"), "rasterrenderer", {**kind, **ends})
    limits = {"minimumValue": "0", "maximumValue": "1", "clip": "0"}
    parent = SubElement(renderer, "rastershader")
    shader = SubElement(parent, "colorrampshader", {"colorRampType": "INTERPOLATED", **limits})
    for share, colour, title in _stops():
        SubElement(shader, "item", value=f"{share:.4f}", color=colour, label=title, alpha="255")
    return root


def grid_sld(name: str) -> Element:
    """Return the same as a Styled Layer Descriptor of the first band."""
    root, rules = _sld(name)
    symbolizer = SubElement(SubElement(rules, "Rule"), "RasterSymbolizer")
    channel = SubElement(SubElement(symbolizer, "ChannelSelection"), "GrayChannel")
    SubElement(channel, "SourceChannelName").text = "1"
    colours = SubElement(symbolizer, "ColorMap")
    for share, colour, title in _stops():
        SubElement(colours, "ColorMapEntry", color=colour, quantity=f"{share:.4f}", label=title)
    return root


def _stops() -> list[tuple[float, str, str]]:
    stops = injury_stops()
    shares = [place / (len(stops) - 1) for place in range(len(stops))]
    return [(share, colour, f"{100 * share:.0f} %") for share, colour in zip(shares, stops, strict=True)]


def _rgba(colour: str) -> str:
    red, green, blue = (int(colour[start : start + 2], 16) for start in (1, 3, 5))
    return f"{red},{green},{blue},255"


def _text(root: Element) -> str:
    indent(root)
    return tostring(root, encoding="unicode", xml_declaration=True) + "\n"
