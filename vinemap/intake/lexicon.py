"""The words that people head their columns with, in English and Spanish, and what each heading says by itself."""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache

_CAMEL = re.compile(r"(?<=[a-z])(?=[A-Z])")
_TOKEN = re.compile(r"[0-9](?:st|nd|rd)(?![a-z])|[a-z]+|[0-9]+|[%#?]")
# "No." before a state is a number of them; "no" alone may deny it.
_NO_STATE = re.compile(r"\bno\s+(?=viv|muert|verde|dead|aliv|live|green|brown|damag|injur|surviv|kill|dan)")
_YEAR = re.compile(r"(19|20)[0-9]{2}")


def fold(words: object) -> str:
    """Return words without capitals, accents and outer spaces."""
    split = unicodedata.normalize("NFKD", " ".join(str(words).split()).casefold())
    return "".join(letter for letter in split if not unicodedata.combining(letter))


@lru_cache(maxsize=4096)
def tokens(words: str) -> tuple[str, ...]:
    """Return the words of a heading, folded; ``PriDead``, ``pri_dead`` and ``Pri. dead`` have the same ones."""
    return tuple(_TOKEN.findall(_NO_STATE.sub("not ", fold(_CAMEL.sub(" ", words)))))


def timeless(words: str) -> str:
    """Return a heading's words without the year that it may name, so that next year's is the same."""
    return " ".join(token for token in tokens(words) if not _YEAR.fullmatch(token))


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


_NAMES: tuple[tuple[str, frozenset[str]], ...] = (
    ("notes", _words("note notes comment comments remark remarks observaciones observacion nota notas comentarios")),
    ("date", _words("date fecha collected")),
    ("reader", _words("reader observer initials lector evaluador cutter who by leido")),
    (
        "sample",
        _words(
            "sample sampleid point pt waypoint wpt muestra punto bag bolsa tag etiqueta site station sitio estacion"
        ),
    ),
    ("lon", _words("lon long lng longitude longitud")),
    ("lat", _words("lat latitude latitud")),
    ("easting", _words("easting eastings este utme")),
    ("northing", _words("northing northings norte utmn")),
    ("place", _words("coordinates coordinate coords coordenadas gps latlon latlong location ubicacion")),
    ("wood", _words("tissue tejido phloem floema cambium xylem xilema trunk cordon")),
    ("shoots", _words("shoots brotes suckers")),
    ("part", _words("part parte")),
    ("cane", _words("cane sarmiento vara cargador pulgar spur")),
    ("node", _words("node nudo position posicion")),
    ("row", _words("row hilera fila surco")),
    ("vine", _words("vine plant cepa planta vid")),
    ("block", _words("block blk bloque cuartel parcel parcela plot field lote potrero")),
    ("name", _words("name nombre id code")),
)
_BUDS: tuple[tuple[str, frozenset[str]], ...] = (
    ("primary", _words("primary primaries prim pri p primaria primarias primario 1st first main")),
    ("secondary", _words("secondary secondaries sec s secundaria secundarias secundario 2nd second")),
    ("tertiary", _words("tertiary tertiaries tert ter t terciaria terciarias terciario 3rd third")),
)
ALIVE_WORDS = _words(
    "alive live living green survived surviving survival survivors viva vivas vivo vivos verde verdes sana sanas sano"
)
DEAD_WORDS = _words(
    "dead brown black killed kill mortality injured injury damaged damage muerta muertas muerto muertos negra negras "
    "negro negros cafe marron marrones parda pardas danada danadas dano mortalidad"
)
_DENIALS = _words("not non never sin")
# What can be dead too, and what is no count of anything.
_OTHER_THINGS = _words(
    "vines plants cepas plantas canes sarmientos trunk trunks cordon cordons arms shoots brotes leaves"
)
_RATINGS = _words("rating score grade class index severity rank scale nota escala indice grado")
# What was counted of a part alone: of the cane, or of the winter.
_PARTIAL = _words("before antes old viejas noncount basal basales apical apicales")
_BUD_WORDS = _words("bud buds yema yemas node nodes nudo nudos")
_SHARE = _words("% pct percent percentage porcentaje porciento perc")
_TOTAL = _words(
    "total totals nodes buds cut examined checked n sampled inspected dissected nudos yemas cortadas cortados "
    "revisadas revisados examinadas examinados evaluadas evaluados contadas totales"
)
_FILLER = _words(
    "no number num nr nbr count counts of the bud buds node nodes # per de del la las los yema yemas nudo nudos"
)
_FACTS = _words(
    "variety varieties variedad cultivar cv grape cepaje spacing marco distance distancia acre acres acreage ac ha "
    "hectare hectares hectarea hectareas area superficie bearing orientation orientacion direction direccion rumbo "
    "azimuth vines plants plantas cepas pruning poda planted plantado plantada year corner esquina rootstock "
    "portainjerto species trunks troncos training conduccion missing gaps fallas faltas faltantes marras posts postes"
)
_SEEN = _words(
    "status state result code codes reading readings condition estado lectura lecturas codigo codigos condicion"
)
_LEGENDS = (_words("a d"), _words("l d"), _words("g b"), _words("v m"), _words("g d"))
_NUMBERED = _words("bud yema # no number num nr")
_NODE_NUMBER = re.compile(
    r"(?:n|no|node|nudo|nd|bud|yema|b|y|pos|position|posicion)?\s*[#.:_-]?\s*([0-9]{1,2})(?:\.0)?"
)

IDENTITIES = frozenset(("sample", "vine", "block", "row", "cane", "name"))
"""Roles of columns that say which sample a row is of."""
TOTALS = _words(
    "total totals totales tot subtotal subtotals sum suma sums average averages avg mean promedio media overall"
)
"""Words of rows that add up or average the rows above."""
ALL = _words("all todo todos todas")
"""Words of such rows that stand in names too."""
_UNITS = _words(
    "m ft feet metres meters deg degrees grados ac acres ha n count no pct percent id text name date code codes dd"
)

BUD_NAMES = tuple(bud for bud, _ in _BUDS)


def node_number(heading: object) -> int | None:
    """Return the node that a column of a row a cane stands for: N1, node 1, Bud #1, 1; None where it is no such."""
    match = _NODE_NUMBER.fullmatch(fold(heading))
    return None if match is None or int(match[1]) == 0 else int(match[1])


def bud_of(words: tuple[str, ...]) -> str | None:
    """Return the bud that words name; None where they name none or several."""
    named = [bud for bud, known in _BUDS if not known.isdisjoint(words)]
    return named[0] if len(named) == 1 else None


def state_of(words: tuple[str, ...]) -> str | None:
    """Return ``alive`` or ``dead`` where words say one of them; None where they say neither or both, or deny it."""
    if not _DENIALS.isdisjoint(words):
        return None
    alive, dead = not ALIVE_WORDS.isdisjoint(words), not DEAD_WORDS.isdisjoint(words)
    return None if alive == dead else "alive" if alive else "dead"


@lru_cache(maxsize=4096)
def role_of(heading: str) -> str | None:
    """Return what a heading says that its column is; None where it says nothing known.

    Returns
    -------
    str or None
        ``sample``, ``block``, ``row``, ``vine``, ``cane``, ``node``, ``lon`` … of places and names; ``nodes``, how many
        were cut; ``primary_dead`` or ``alive`` of counts, the bud left out where the heading names none, and with
        ``_pct`` of shares; ``primary``, ``secondary``, ``tertiary``, ``state`` of what was seen; ``node 3`` of a row a
        cane; ``fact``, ``wood``, ``shoots``, ``notes``.
    """
    number = node_number(heading)
    if number is not None:
        return f"node {number}"
    words = tokens(heading)
    found = (rule(words) for rule in (_counted, _seen, _fact, _named, _total)) if words else ()
    return next((role for role in found if role is not None), None)


def strict_role(heading: str) -> str | None:
    """Return what a heading says where it says nothing else besides; None for a cell that names one block or vine."""
    words = frozenset(tokens(heading))
    known = _FILLER | _TOTAL | _SHARE | _SEEN | ALIVE_WORDS | DEAD_WORDS | _FACTS | _words("name id code nombre")
    known = known.union(*(its for _, its in (*_NAMES, *_BUDS)))
    role = role_of(heading)
    plain_state = words <= ALIVE_WORDS or words <= DEAD_WORDS or len(heading.strip()) == 1
    return role if words <= known and not plain_state and node_number(heading) is None else None


def is_unit(words: str) -> bool:
    """Whether a cell under a heading says in what the column is counted or written: m, (ft), %, #, A/D, 1/0."""
    bare = fold(words).strip("()[] .")
    return bool(bare) and (
        all(token in _UNITS | _SHARE | {"#"} for token in tokens(bare) or ("",)) or ("/" in bare and len(bare) <= 5)
    )


def _counted(words: tuple[str, ...]) -> str | None:
    """Read ``Dead primary``, ``% live``, ``Sec. killed``."""
    state, bud, share = state_of(words), bud_of(words), not _SHARE.isdisjoint(words)
    known = frozenset(words)
    other = known & (_RATINGS | _PARTIAL) or (known & _OTHER_THINGS and not (bud or known & _BUD_WORDS))
    if other or (state is None and not (share and bud)):
        return None
    return "_".join(filter(None, (bud, state, "pct" if share else "")))


def _seen(words: tuple[str, ...]) -> str | None:
    """Read ``Primary bud``, ``Pri (live/dead)``, ``Status``, ``A/D``."""
    bud, known = bud_of(words), frozenset(words)
    if bud is not None and known <= dict(_BUDS)[bud] | _FILLER | _SEEN | ALIVE_WORDS | DEAD_WORDS | _words("? or o"):
        return bud
    alive, dead = not ALIVE_WORDS.isdisjoint(words), not DEAD_WORDS.isdisjoint(words)
    if (alive or dead) and known & _DENIALS:
        return bud or "state"
    return "state" if (alive and dead) or known in _LEGENDS or (known & _SEEN and known <= _SEEN | _FILLER) else None


def _fact(words: tuple[str, ...]) -> str | None:
    known = frozenset(words)
    each_vine = known & _TOTAL and known & _words("vine cepa planta")
    corner = {"first", "vine"} <= known or {"primera", "cepa"} <= known
    return "fact" if known & _FACTS or each_vine or corner else None


def _named(words: tuple[str, ...]) -> str | None:
    if any(word.isdigit() and not _YEAR.fullmatch(word) for word in words):
        return None  # the name of one row, block or vine
    if frozenset(words) <= _NUMBERED and not frozenset(words).isdisjoint(("bud", "yema")):
        return "node"
    if words in (("x",), ("y",)):
        return "easting" if words == ("x",) else "northing"
    return next((role for role, its in _NAMES if not its.isdisjoint(words)), None)


def _total(words: tuple[str, ...]) -> str | None:
    known = frozenset(words)
    return "nodes" if known & _TOTAL and known <= _TOTAL | _FILLER else None
