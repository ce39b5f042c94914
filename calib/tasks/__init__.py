"""One function for each thing a user does; the only package that joins the rooms.

``library``      plan, fit and recommend from records, without a logbook
``workshop``     machines and sheets: look at the hazards, then take them down
``offcuts``      plan one round on several offcuts
``boards``       plan the next board of a pair and store it with its forecasts
``files``        the files of a board, a program from a cell on, a focus board
``next_steps``   what to do next after a board was taken down
``results``      take down what came out: a file, or cell by cell with undo
``advice``       the region of a pair, a recommendation and its promise, jobs
``pooling``      the rest of the logbook as what is believed before a pair is burnt
``elsewhere``    a sheet on another machine, and a table over wattages to hand on
``new_lot``      a new lot against the old ones
``checks``       check strips: is it the sheet or the machine?
``costing``      what time and parts cost, and what the stopwatch says
``jobs``         the maker's own drawing: time, money, whole-job promise, small features
``kerfs``        kerf against line energy, from measured coupons
``combs``        comb boards; ``comb_results`` takes them down and reads the joint
``summary``      a region in a few lines
``pictures``     the picture of a region
``definitions``  ready-made grids from TOML
``look``         a region for a screen: outlines of its chances, what holds at any setting
``page``         what a desk shows: what waits, a board with what was read of it
``exchange``     give a logbook away as a file, take another one in
``keeping``      backups, photographs
``current``      whether a promise or a kept setting is current, and why not
``cards``        the settled settings of a pair, and the card for the wall
``looking_back`` what was stated before burning against what came out

The names load when they are first used. Functions that change a logbook get the time from the
shell that calls them.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from calib.tasks.advice import (
        Advice,
        JobCounts,
        RegionWish,
        advise,
        advise_on,
        find_promise,
        region_of_pair,
        settle,
        take_down_job,
    )
    from calib.tasks.boards import (
        BoardWish,
        Planned,
        find_board,
        find_pair,
        plan_board,
        plan_boards,
        plan_focus_board,
        propose_boards,
    )
    from calib.tasks.cards import settled_of_pair, sheet_card_files, sheet_card_of_pair
    from calib.tasks.checks import (
        StripRecord,
        check_machine,
        plan_strip,
        sheet_or_machine,
        strip_chart,
    )
    from calib.tasks.comb_results import (
        CombTaken,
        caliper_of,
        comb_readings,
        comb_taken,
        joint_of_comb,
        take_down_comb,
    )
    from calib.tasks.combs import (
        CombWish,
        PlannedComb,
        comb_board_files,
        find_comb,
        plan_comb_board,
    )
    from calib.tasks.costing import costs_of, take_down_costs, take_down_time, time_ratio
    from calib.tasks.current import (
        KeptSetting,
        StandingPromise,
        doubts_of,
        kept_settings,
        standing_promises,
    )
    from calib.tasks.definitions import (
        Definition,
        given_text,
        read_definition,
        ready_made_grid,
        take_in_ready_made,
    )
    from calib.tasks.elsewhere import (
        CarriedOver,
        ElsewhereWish,
        carry_over,
        table_of_wattages,
        wattage_files,
    )
    from calib.tasks.exchange import export_book, import_book
    from calib.tasks.files import (
        FileWish,
        board_files,
        check_folder,
        focus_files,
        given_file,
        resume_files,
        write_folder,
    )
    from calib.tasks.job_records import ClassLine, JobReport, JobWish
    from calib.tasks.jobs import job_picture, job_report, time_this_job
    from calib.tasks.keeping import (
        BackupFile,
        Kept,
        attach,
        back_up,
        find_machine,
        list_backups,
        look_over,
        photograph_files,
        put_back,
    )
    from calib.tasks.kerfs import kerf_law_of_pair, learn_kerf
    from calib.tasks.library import fit_region, plan_grid, recommend, starting_point
    from calib.tasks.look import ReadOut, RegionLook, read_out, region_look
    from calib.tasks.looking_back import (
        TrackRecordWish,
        track_record,
        track_record_pictures,
        track_record_title,
    )
    from calib.tasks.new_lot import CheckWish, judge_lot, plan_lot
    from calib.tasks.next_steps import NextStep, next_step
    from calib.tasks.offcuts import plan_grids
    from calib.tasks.page import (
        BoardState,
        Standing,
        board_file,
        board_state,
        file_names,
        hazard_of,
        last_promised,
        minutes_of,
        standing,
    )
    from calib.tasks.pictures import picture_format, region_pictures, region_view
    from calib.tasks.results import CellByCell, sitting_label, take_down
    from calib.tasks.summary import Summary, summarise
    from calib.tasks.workshop import (
        add_machine,
        add_sheet,
        assumptions,
        change_sheet,
        check_material,
    )

_HOMES = {
    "calib.tasks.library": ("fit_region", "plan_grid", "recommend", "starting_point"),
    "calib.tasks.workshop": (
        "add_machine", "add_sheet", "assumptions", "change_sheet", "check_material",
    ),
    "calib.tasks.boards": (
        "BoardWish", "Planned", "find_board", "find_pair", "plan_board", "plan_boards",
        "plan_focus_board", "propose_boards",
    ),
    "calib.tasks.files": (
        "FileWish", "board_files", "check_folder", "focus_files", "given_file", "resume_files",
        "write_folder",
    ),
    "calib.tasks.results": ("CellByCell", "sitting_label", "take_down"),
    "calib.tasks.definitions": (
        "Definition", "given_text", "read_definition", "ready_made_grid", "take_in_ready_made",
    ),
    "calib.tasks.exchange": ("export_book", "import_book"),
    "calib.tasks.checks": (
        "StripRecord", "check_machine", "plan_strip", "sheet_or_machine", "strip_chart",
    ),
    "calib.tasks.elsewhere": (
        "CarriedOver", "ElsewhereWish", "carry_over", "table_of_wattages", "wattage_files",
    ),
    "calib.tasks.new_lot": ("CheckWish", "judge_lot", "plan_lot"),
    "calib.tasks.summary": ("Summary", "summarise"),
    "calib.tasks.advice": (
        "Advice", "JobCounts", "RegionWish", "advise", "advise_on",
        "find_promise", "region_of_pair", "settle", "take_down_job",
    ),
    "calib.tasks.costing": ("costs_of", "take_down_costs", "take_down_time", "time_ratio"),
    "calib.tasks.job_records": ("ClassLine", "JobReport", "JobWish"),
    "calib.tasks.jobs": ("job_picture", "job_report", "time_this_job"),
    "calib.tasks.kerfs": ("kerf_law_of_pair", "learn_kerf"),
    "calib.tasks.combs": (
        "CombWish", "PlannedComb", "comb_board_files", "find_comb", "plan_comb_board",
    ),
    "calib.tasks.comb_results": (
        "CombTaken", "caliper_of", "comb_readings", "comb_taken", "joint_of_comb",
        "take_down_comb",
    ),
    "calib.tasks.cards": ("settled_of_pair", "sheet_card_files", "sheet_card_of_pair"),
    "calib.tasks.current": (
        "KeptSetting", "StandingPromise", "doubts_of", "kept_settings", "standing_promises",
    ),
    "calib.tasks.keeping": (
        "BackupFile", "Kept", "attach", "back_up", "find_machine", "list_backups",
        "look_over", "photograph_files", "put_back",
    ),
    "calib.tasks.looking_back": (
        "TrackRecordWish", "track_record", "track_record_pictures", "track_record_title",
    ),
    "calib.tasks.look": ("ReadOut", "RegionLook", "read_out", "region_look"),
    "calib.tasks.next_steps": ("NextStep", "next_step"),
    "calib.tasks.offcuts": ("plan_grids",),
    "calib.tasks.page": (
        "BoardState", "Standing", "board_file", "board_state", "file_names", "hazard_of",
        "last_promised", "minutes_of", "standing",
    ),
    "calib.tasks.pictures": ("picture_format", "region_pictures", "region_view"),
}  # fmt: skip
_HOME_OF = {name: module for module, names in _HOMES.items() for name in names}
__all__ = [
    "Advice",
    "BackupFile",
    "BoardState",
    "BoardWish",
    "CarriedOver",
    "CellByCell",
    "CheckWish",
    "ClassLine",
    "CombTaken",
    "CombWish",
    "Definition",
    "ElsewhereWish",
    "FileWish",
    "JobCounts",
    "JobReport",
    "JobWish",
    "Kept",
    "KeptSetting",
    "NextStep",
    "Planned",
    "PlannedComb",
    "ReadOut",
    "RegionLook",
    "RegionWish",
    "Standing",
    "StandingPromise",
    "StripRecord",
    "Summary",
    "TrackRecordWish",
    "add_machine",
    "add_sheet",
    "advise",
    "advise_on",
    "assumptions",
    "attach",
    "back_up",
    "board_file",
    "board_files",
    "board_state",
    "caliper_of",
    "carry_over",
    "change_sheet",
    "check_folder",
    "check_machine",
    "check_material",
    "comb_board_files",
    "comb_readings",
    "comb_taken",
    "costs_of",
    "doubts_of",
    "export_book",
    "file_names",
    "find_board",
    "find_comb",
    "find_machine",
    "find_pair",
    "find_promise",
    "fit_region",
    "focus_files",
    "given_file",
    "hazard_of",
    "import_book",
    "job_picture",
    "job_report",
    "joint_of_comb",
    "judge_lot",
    "kept_settings",
    "kerf_law_of_pair",
    "last_promised",
    "learn_kerf",
    "list_backups",
    "look_over",
    "minutes_of",
    "next_step",
    "photograph_files",
    "picture_format",
    "plan_board",
    "plan_boards",
    "plan_comb_board",
    "plan_focus_board",
    "plan_grid",
    "plan_grids",
    "plan_lot",
    "plan_strip",
    "propose_boards",
    "put_back",
    "given_text",
    "read_definition",
    "read_out",
    "ready_made_grid",
    "take_in_ready_made",
    "recommend",
    "region_look",
    "region_of_pair",
    "region_pictures",
    "region_view",
    "resume_files",
    "settle",
    "settled_of_pair",
    "sheet_card_files",
    "sheet_card_of_pair",
    "sheet_or_machine",
    "sitting_label",
    "standing",
    "standing_promises",
    "starting_point",
    "strip_chart",
    "summarise",
    "table_of_wattages",
    "take_down",
    "take_down_comb",
    "take_down_costs",
    "take_down_job",
    "take_down_time",
    "time_ratio",
    "time_this_job",
    "track_record",
    "track_record_pictures",
    "track_record_title",
    "wattage_files",
    "write_folder",
]


def __getattr__(name: str) -> Any:
    if name not in _HOME_OF:
        raise AttributeError(f"module 'calib.tasks' has no attribute {name!r}")
    value = getattr(importlib.import_module(_HOME_OF[name]), name)
    globals()[name] = value
    return value
