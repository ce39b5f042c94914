"""Says errors of records in the words of the command line: options, not names of fields."""

from __future__ import annotations

import re
from collections.abc import Mapping

# Option of each field that an error may name; the library's callers keep the fields.
OPTIONS = {
    "rated_w": "--watts",
    "bed_mm": "--bed",
    "max_speed_mm_s": "--top-speed",
    "acceleration_mm_s2": "--acceleration",
    "beam_starts_pct": "--beam-starts",
    "ceiling_pct": "--ceiling",
    "power_curve": "--power-curve",
    "power_step_pct": "--power-step",
    "speed_step_mm_s": "--speed-step",
    "power_word_full": "--power-word",
    "beam_on_word": "--beam-on",
    "lens_mm": "--lens",
    "beam_mm": "--beam",
    "y_up": "--y-up",
    "offset_mm": "--offset",
    "air_on_word": "--air-on",
    "air_low_word": "--air-low",
    "wavelength_nm": "--wavelength",
    "air_off_word": "--air-off",
    "power_follows_speed": "--power-follows-speed",
    "slat_gap_mm": "--slat-gap",
    "area_both_ways": "--area-both-ways",
    "thickness_mm": "--thickness",
    "measured_mm": "--measured",
    "power_pct": "--power",
    "speed_mm_s": "--speed",
    "powers_pct": "--powers",
    "speeds_mm_s": "--speeds",
    "slowest_mm_s": "--slowest",
    "line_pitch_mm": "--line-pitch",
    "offcut_mm": "--offcut",
    "offcuts_mm": "--offcut",
    "clamp_mm": "--clamp",
    "heights_mm": "--heights",
    "char_at_most": "--char-at-most",
    "cut_length_mm": "--cut-length",
    "to_machine": "--to",
    "leave_one_out": "--leave-one-out",
    "classes_by": "--classes-by",
    "stock_mm": "--stock",
    "step_mm": "--step",
    "kerf_mm": "--kerf",
    "from_cell": "--cell",
    "focus_mm": "--focus",
    "lens_cleaned": "--lens-cleaned",
    "support": "--on",
    "machine_hour": "--machine-hour",
    "labour_hour": "--labour-hour",
    "seconds_per_push": "--push",
    "recut_part": "--recut-part",
    "recut_share": "--recut-share",
    "cleaning_s_per_m": "--cleaning",
    "sheet_price": "--sheet-price",
    "start_up_s": "--start-up",
}
# Where an option is typed that the command at hand doesn't have.
HOMES = ("change-machine", "change-sheet")

# What an error asks for, and how it is typed: an option the command must have, and the words with
# the option, or the command that has it, in place of {}.
_HINTS = {
    "say so in the sheet's declaration": ("--declaration", "say so with {}"),
    "say why it is corrected": ("--why", "say why it is corrected with {}"),
    "Say why the cells are struck out": ("--why", "Say why the cells are struck out with {}"),
    "whose latest change to take back": (
        "--board", "whose latest change to take back: {} last, --machine NAME or --sheet NAME",
    ),
    "Which machine is meant?": ("--machine", "Which machine is meant ({} NAME)?"),
    "give each cut, line_mark, area_mark, or None to leave it out": (
        "--leave-out", "give each one to --cut, --line-mark, --area-mark or {}",
    ),
    "or change the machine": ("", "or change the machine with change-machine"),
    "nor any other: add it first": ("", "nor any other: add-machine, add-sheet or plan adds one"),
    "yet: plan one first": ("", "yet: plan one first with plan"),
    "list them, and give": ("", "list them with list-promises, and give"),
    "then settle on it": ("", "then settle on it with settle"),
    "setting first, or give power": ("", "setting first with settle, or give power"),
    "ask for a recommendation": ("", "ask for a recommendation with recommend"),
    ": restore it;": ("", ": put it back with restore;"),
    "Restore the backup;": ("", "Put the backup back with restore;"),
}  # fmt: skip
_RECORDS = "Machine|Sheet|Setting|Costs|Job|Grid|LayoutOptions|FitReading|Caliper|Sitting"
# A name in quotation marks is somebody's own word.
_FIELD = re.compile(
    rf"(?<![\w'\"./])(?:(?:{_RECORDS})\.(?P<of>[a-z]\w*)|(?P<bare>[a-z]+(?:_[a-z0-9]+)+)"
    r"|^(?P<first>[a-z]+)(?= is ))(?![\w'\"/])"
)
_NUMBERS = re.compile(r"\((-?\d[\d.]*(?:e[+-]?\d+)?(?:, -?\d[\d.]*(?:e[+-]?\d+)?)*),?\)")
_BETWEEN = {"bed_mm": " x ", "offcut_mm": " x ", "offcuts_mm": " x ", "power_curve": ":"}
_PHRASES = {
    " is None": " isn't given",
    "((pct, watts), …), both rising, pct from": "%:watts, both rising, as 20:9,50:28, % from",
}


def in_options(message: str, options: Mapping[str, str]) -> str:
    """Say a message with the options where it has names of fields.

    Examples
    --------
    >>> in_options("Machine.rated_w is -5.0: give a number above 0.", {"--watts": ""})
    '--watts is -5.0: give a number above 0.'
    """
    fields: list[str] = []

    def said(match: re.Match[str]) -> str:
        field = match["of"] or match["bare"] or match["first"]
        option = OPTIONS.get(field, "" if match["bare"] else f"--{field}")
        if not option or (match["first"] and options.get(option) != ""):
            return match[0]
        fields.append(field)
        words = option.removeprefix("--").replace("-", " ")
        home = options.get(option)
        return option if home == "" else f"{words} ({home} {option})" if home else words

    text = _FIELD.sub(said, message)
    return _hints(_values(text, fields[0]) if fields else text, options)


def _hints(text: str, options: Mapping[str, str]) -> str:
    for asked, (option, typed) in _HINTS.items():
        if not option or option in options:
            text = text.replace(asked, typed.format(f"{options.get(option, '')} {option}".strip()))
    return text


def _values(text: str, field: str) -> str:
    """Write values as they are typed: ``(5.0, 400.0)`` as ``5 x 400``."""
    between = _BETWEEN.get(field, ",")
    for phrase, typed in _PHRASES.items():
        text = text.replace(phrase, typed)
    return _NUMBERS.sub(
        lambda match: between.join(f"{float(part):g}" for part in match[1].split(", ")), text
    )
