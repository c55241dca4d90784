"""The states that tables, settings and pages write as words; each member's value is what stands in the files."""

from __future__ import annotations

from enum import StrEnum


class State(StrEnum):
    """What the razor showed of a bud, or of the tissue under the bark."""

    ALIVE = "alive"
    DEAD = "dead"
    UNREAD = "unread"
    DEAD_BEFORE = "dead_before"
    """A bud that had died before the freeze: dead to whoever prunes, but not the freeze's doing."""


TISSUE_STATES = (State.ALIVE, State.DEAD, State.UNREAD)
"""What a slice under the bark may show."""


class Bud(StrEnum):
    """What a count of nodes is about.

    One of the three buds of a node, whether it has no live one, whether its primary had died before the freeze, or
    whether its first shoot froze after budbreak; and the basal buds, which are counted beside the nodes.
    """

    PRIMARY = "primary"
    SECONDARY = "secondary"
    TERTIARY = "tertiary"
    NO_LIVE_BUD = "no_live_bud"
    DEAD_BEFORE = "dead_before"
    FROZEN = "frozen"
    NONCOUNT = "noncount"


BUDS = (Bud.PRIMARY, Bud.SECONDARY, Bud.TERTIARY)
"""The buds of a node, in the order in which they grow and are cut."""
NONCOUNT = ("noncount_alive", "noncount_dead")
"""Columns of the basal buds that are counted beside the nodes."""

MAPPED = (Bud.PRIMARY, Bud.SECONDARY, Bud.NO_LIVE_BUD, Bud.FROZEN)
"""What the injury surface shows."""


class Part(StrEnum):
    """Part of the cane: the nodes that pruning keeps, those beyond, or all."""

    BASAL = "basal"
    APICAL = "apical"
    ALL = "all"


class Tissue(StrEnum):
    """Wood that is sliced under the bark, from the youngest to the oldest."""

    CANE = "cane"
    CORDON = "cordon"
    TRUNK = "trunk"


class WoodState(StrEnum):
    """State of a vine's wood: phloem dead somewhere; xylem or cambium dead somewhere; every piece read dead through."""

    PHLOEM = "phloem"
    HURT = "hurt"
    DEAD = "dead"


DECISIVE = (WoodState.HURT, WoodState.DEAD)
"""States of the wood that decide; dead phloem alone is told, and decides nothing."""


class TrunkGrade(StrEnum):
    """How a trunk as a whole was judged, from the worst to the best."""

    DRY = "dry"
    """No sap flows: dead."""
    DYING_BACK = "dying_back"
    """Sap flows, but the trunk will die to the ground."""
    FAILING = "failing"
    """Much of the wood is brown: keep suckers for a new trunk."""
    WEAKENED = "weakened"
    """Some of the wood is brown: keep suckers all the same."""
    RECOVERING = "recovering"
    """Little is brown, and the trunk grows out of it."""
    SOUND = "sound"
    """Nothing is brown."""


DEAD_GRADES = (TrunkGrade.DRY, TrunkGrade.DYING_BACK)
"""Grades of a trunk that has to be renewed."""

HURT_GRADES = (*DEAD_GRADES, TrunkGrade.FAILING, TrunkGrade.WEAKENED)
"""Grades of a trunk for which suckers are kept."""


class Visit(StrEnum):
    """When wood was looked at, in the order of the visits: some of what froze collapses only in the season after."""

    WINTER = "winter"
    AFTER_SAP_RISE = "after_sap_rise"
    LATE_SUMMER = "late_summer"


class Pruning(StrEnum):
    """How canes are cut back."""

    SPUR = "spur"
    CANE = "cane"


class Protection(StrEnum):
    """What stands against frost."""

    WIND_MACHINE = "wind_machine"
    HEATER = "heater"
    SPRINKLER = "sprinkler"
    COVER = "cover"
    HILLED = "hilled"
    BARRIER = "barrier"


LIT = (Protection.WIND_MACHINE, Protection.HEATER, Protection.SPRINKLER)
"""Protection that works only where somebody lights or starts it."""


class SpeciesGroup(StrEnum):
    """Kin of the variety, by which secondaries crop and vines carry nodes."""

    VINIFERA = "vinifera"
    HYBRID = "hybrid"
    FRENCH_HYBRID = "french_hybrid"
    NEW_HYBRID = "new_hybrid"
    AMERICAN = "american"
    SEEDLESS_TABLE = "seedless_table"


class Interval(StrEnum):
    """How the interval of a block's cut buds was found."""

    CLUSTERS = "clusters"
    ONE_SAMPLE = "as one sample of nodes"
    TOO_FEW = "too few samples"


class Side(StrEnum):
    """A side or a corner by the compass, clockwise from north."""

    NORTH = "N"
    NORTH_EAST = "NE"
    EAST = "E"
    SOUTH_EAST = "SE"
    SOUTH = "S"
    SOUTH_WEST = "SW"
    WEST = "W"
    NORTH_WEST = "NW"


class VineFrom(StrEnum):
    """How row and vine of a sample are known."""

    GIVEN = "given"
    POSITION = "position"
    UNKNOWN = ""


class Origin(StrEnum):
    """Where a number of vines or of nodes comes from."""

    GIVEN = "given"
    PRUNING_WEIGHT = "pruning weight"
    SPACING = "spacing"
    UNKNOWN = ""


class Known(StrEnum):
    """How the buds that had died before the freeze are known."""

    BLOCK = "block"
    BUDS = "buds"
    SETTINGS = "settings"
    NOT = ""


class Verdict(StrEnum):
    """How blind nodes counted in spring stand to what the map predicted."""

    MORE = "more than predicted"
    LESS = "fewer than predicted"
    AGREES = ""


class Third(StrEnum):
    """How ground lies in its block: a stratum of a plan."""

    HOLLOW = "hollow"
    FOOT = "foot"
    LOW = "low"
    MIDDLE = "middle"
    HIGH = "high"
    LEVEL = "level"
    UNKNOWN = "unknown"


class Action(StrEnum):
    """What to do, from the lightest to the strongest, then the one for want of figures, then a block's of many tasks.

    Buds alone never say more than `CHECK_WOOD`. `CARRY_ON`, `KEEP_SHOOTS` and `KEEP_SUCKERS` follow from what grew
    after budbreak; what prunes or waits for it stands before it alone, the rest at either time.
    """

    AS_USUAL = "as_usual"
    CARRY_ON = "carry_on"
    KEEP_MORE = "keep_more"
    KEEP_SHOOTS = "keep_shoots"
    PRUNE_LONG = "prune_long_wait"
    CHECK_WOOD = "check_wood"
    LOOK_AGAIN = "look_again"
    KEEP_SUCKERS = "keep_suckers"
    RETRAIN = "retrain"
    REPLANT = "replant_candidate"
    NO_DATA = "no_data"
    BY_ZONE = "work_by_zone"


TASKS = tuple(action for action in Action if action is not Action.BY_ZONE)
"""What there may be to do in a zone; a block whose zones differ is worked by zone."""

MORE_CANES, CUT_BACK = "more_canes", "cut_back"
"""Work beside a zone's action: canes to cut before it is acted on; the second cut of vines that are pruned twice."""

WORK = (MORE_CANES, *TASKS, CUT_BACK)
"""All that a line of the work list may ask for."""

NUMBERED = (Action.AS_USUAL, Action.KEEP_MORE)
"""Actions for which the pruning rule gives a number of nodes."""

RENEWED = (Action.RETRAIN, Action.REPLANT)
"""Actions that renew the vines whose trunks are dead."""


DONE, FLAGGED = "done", "flagged"
MARKS = (DONE, FLAGGED)
"""What a crew marks on a task: that it is done, or that whoever leads the work should look."""


class When(StrEnum):
    """When a line of the work list is due."""

    NOW = "now"
    DORMANT = "before budbreak"
    GROWN = "after budbreak"
    PLANTING = "planting season"


class Rate(StrEnum):
    """Where hours and costs of the work list come from: the settings, or what is assumed without them."""

    GIVEN = "given"
    ASSUMED = "assumed"


class Evidence(StrEnum):
    """What cuts a figure of the map rests on, by which it may be called sure."""

    ENOUGH = "enough"
    FEW = "few samples"
    ONE_PART = "samples in one part"
    NO_PLACE = "samples without a place"
    NONE = "no sample"


class Differs(StrEnum):
    """Why what was cut in a block and what the map has for it lie far apart, where they do."""

    PLACE = "place of the samples"
    FEW = "few samples"
    NEIGHBOURS = "neighbours"
    NO_PLACE = "samples without a place"
    ALIKE = ""


class Grade(StrEnum):
    """Which figure decides over a piece of ground; found once, by `vinemap.decisions.actions.grade`.

    After budbreak by `vinemap.decisions.regrowth.spring_grade`.
    """

    BY_NUMBER = "by_number"
    BY_LENGTH = "by_length"
    NO_LIVE_BUD = "no_live_bud"
    MOST_PRIMARIES = "most_primaries"
    TRUNKS_HURT = "trunks_hurt"
    MOST_TRUNKS_HURT = "most_trunks_hurt"
    TRUNKS_DEAD = "trunks_dead"
    TOO_FEW = "too_few"
    TOO_WIDE = "too_wide"
    UNKNOWN = "unknown"
    BY_ZONE = "by_zone"
    GROWN = "grown"
    SOME_BLIND = "some_blind"
    MOST_BLIND = "most_blind"

    @property
    def code(self) -> int:
        """Return the place of the grade among all, by which arrays of ground hold it."""
        return tuple(Grade).index(self)


class Disclosure(StrEnum):
    """Whether a figure of a region is published."""

    SHOWN = "shown"
    WITHHELD = "withheld"
    """Too few growers, or one has most of the area, or it would tell such a figure by subtraction."""
    NO_RESULTS = "no_results"


class Mapped(StrEnum):
    """How a vineyard of a region fared."""

    MAPPED = "mapped"
    """In this run."""
    UNCHANGED = "unchanged"
    """In an earlier run, of the same files and by the same version."""
    WRONG = "wrong input"
    FAILED = "failed"
