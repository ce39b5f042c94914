"""One function for each thing a user does; the only package that joins the rooms.

``wishes``       what is asked of a task, field by field
``library``      plan, fit and recommend from records, without a logbook
``pools``        what the rest of a logbook teaches
``pairs``        a machine, a sheet, a board by name; of a pair its burns, region, kept setting
``workshop``     machines and sheets: look at the hazards, then record them
``boards``       plan a board for any purpose, here or for another machine; tables of wattages
``checks``       check strips: is it the sheet or the machine?
``joints``       kerf from measured coupons; comb boards, and what fits
``files``        files that were named, and those of a board
``results``      record what came out, ready-made grids too, and say what comes next
``advice``       a setting with its chance, kept; jobs
``regions``      a region to look at: picture, outlines, a summary, what holds at any setting
``costing``      what time and parts cost, and what the stopwatch says
``jobs``         the maker's own drawing: time, money, pushes, small features
``standing``     where each sheet stands and what is next, what waits, a board as read
``cards``        the card for the wall
``looking_back`` what was stated before burning against what came out
``keeping``      backups, photographs, export, import

Each loads when it is first used. Functions that change a logbook get the time from the shell that
calls them. Those that look up what is named raise LogbookError when it isn't there; those that plan
or advise raise RefusedMaterial and DeclarationNeeded first, when the sheet may not be burnt, then
BoardDoesNotFit and MachineLimit. Those that draw raise InvalidRecord when a picture's name doesn't
end in .png or .svg.
"""

from typing import TYPE_CHECKING

from calib.lazily import load_on_use

if TYPE_CHECKING:
    from calib.tasks import (  # noqa: F401, I001
        advice, boards, cards, checks, costing, files, jobs, joints, keeping, library,
        looking_back, pairs, pools, regions, results, standing, wishes, workshop,
    )  # fmt: skip

__getattr__ = load_on_use(__name__, {})
