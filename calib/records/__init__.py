"""The words of calib as frozen records; each checks itself once, when made."""

from calib.records.advice import Advice
from calib.records.boards import Cell, Grid, Reading
from calib.records.burns import Burn, Setting
from calib.records.content import content_of
from calib.records.costs import Costs
from calib.records.machine import Machine
from calib.records.sheet import Sheet
from calib.records.words import (
    CHAR_WORDS,
    COUPON_CORNER_MM,
    COUPON_CUT_MM,
    COUPON_MM,
    MARK_WORDS,
    OPERATIONS,
    THROUGH_GRADES,
    USUAL_RELIABILITY,
    BurnSource,
    ClassesBy,
    Corner,
    Grades,
    LaserSource,
    Operation,
    Through,
    grade_ends,
    grades_typed,
    mark_words,
    outcome_order,
)

__all__ = [
    "Advice",
    "Burn",
    "BurnSource",
    "Cell",
    "ClassesBy",
    "CHAR_WORDS",
    "content_of",
    "Corner",
    "Costs",
    "COUPON_CORNER_MM",
    "COUPON_CUT_MM",
    "COUPON_MM",
    "grade_ends",
    "Grades",
    "grades_typed",
    "Grid",
    "LaserSource",
    "Machine",
    "mark_words",
    "MARK_WORDS",
    "Operation",
    "OPERATIONS",
    "outcome_order",
    "Reading",
    "Setting",
    "Sheet",
    "Through",
    "USUAL_RELIABILITY",
    "THROUGH_GRADES",
    "USUAL_RELIABILITY",
]
