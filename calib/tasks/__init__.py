"""One function for each thing a user does; the only package that joins the rooms.

``library``      plan, fit and recommend from records, without a logbook
``workshop``     machines and sheets: look at the hazards, then take them down
``finding``      the machine, sheet, board or promise that is named
``offcuts``      plan one round on several offcuts
``boards``       plan the next board of a pair and store it with its forecasts
``files``        the files of a board, a program from a cell on, a focus board
``folders``      read files that were named, write those that were made
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

Functions that change a logbook get the time from the shell that calls them.
"""
