"""One function for each thing a user does; the only package that joins the rooms.

``wishes``       what is asked of a task, field by field
``library``      plan, fit and recommend from records, without a logbook
``workshop``     machines and sheets: look at the hazards, then take them down
``finding``      the machine, sheet or board that is named
``folders``      read files that were named, write those that were made
``planning``     from a region to the cells of a board, or of several
``boards``       plan the next board of a pair and store it with its forecasts
``files``        the files of a board, a program from a cell on, a focus board
``results``      record what came out, and say what comes next
``advice``       the region of a pair, what other pairs teach, a recommendation, jobs
``regions``      a region to look at: picture, outlines, a summary, what holds at any setting
``current``      whether a kept setting is current, and why not
``elsewhere``    a sheet on another machine, and a table over wattages to hand on
``checks``       new lots and check strips: is it the sheet or the machine?
``costing``      what time and parts cost, and what the stopwatch says
``jobs``         the maker's own drawing: time, money, pushes, small features
``joints``       kerf from measured coupons; comb boards, and what fits
``definitions``  ready-made grids from TOML
``page``         what a desk shows: what waits, a board with what was read of it
``keeping``      backups, photographs, export, import
``cards``        the card for the wall
``looking_back`` what was stated before burning against what came out

Functions that change a logbook get the time from the shell that calls them. Those that look up
what is named raise LogbookError when it isn't there; those that plan or advise raise
RefusedMaterial and DeclarationNeeded first, when the sheet may not be burnt, then BoardDoesNotFit
and MachineLimit. Those that draw raise InvalidRecord when a picture's name doesn't end in .png or
.svg.
"""
