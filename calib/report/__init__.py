"""Text of everything the shells show, made of records; the names load when they are first used."""

from __future__ import annotations

import importlib
from typing import Any

_HOMES = {
    "calib.report.workshop": (
        "hazard_text", "lots_text", "machine_text", "machines_text", "settled_text", "setups_text",
        "sheet_text", "sheets_text",
    ),
    "calib.report.boards": (
        "board_text", "files_text", "focus_data", "focus_text", "next_step_text", "planned_data",
        "planned_round_data", "planned_round_text", "planned_text", "question_text",
        "reading_words", "recorded_text",
    ),
    "calib.report.jobs": ("costs_data", "costs_text", "job_data", "job_text", "time_ratio_text"),
    "calib.report.joints": (
        "comb_data", "comb_taken_text", "comb_text", "joint_text", "kerf_text",
    ),
    "calib.report.advice": (
        "EDGES", "advice_text", "after_advice_text", "margin_lines", "promised_words",
        "promises_text", "summary_text",
    ),
    "calib.report.keeping": (
        "backups_text", "check_text", "kept_text", "photographs_text", "sittings_text",
    ),
    "calib.report.sheet_card": ("sheet_card_text",),
    "calib.report.track_record": ("track_record_text",),
    "calib.report.book": (
        "history_text", "import_text", "page_text", "questions_text", "unknown_material_text",
    ),
    "calib.report.checks": (
        "after_lot_text", "cause_text", "change_words", "lot_text", "strips_text",
    ),
    "calib.report.elsewhere": ("carried_over_data", "carried_over_text"),
    "calib.report.words": ("pair_typed",),
    "calib.advise.wattage_table": ("wattage_text",),
}  # fmt: skip
_HOME_OF = {name: module for module, names in _HOMES.items() for name in names}


def __getattr__(name: str) -> Any:
    if name not in _HOME_OF:
        raise AttributeError(f"module 'calib.report' has no attribute {name!r}")
    value = getattr(importlib.import_module(_HOME_OF[name]), name)
    globals()[name] = value
    return value
