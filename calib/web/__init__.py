"""The local page: shows tasks to a browser on this machine, and to phones that were let in.

``serving``   addresses, sockets, the server itself
``gate``      who may come in: one-time tokens and the sessions they open
``door``      what every request has to pass: host, origin, session, size and time of uploads
``app``       the application: routes put together, refusals shown
``desk``      what all routes share: the open logbook, fitted regions, templates
``api``       the JSON interface; ``models`` what it takes and gives
``pages_*``   the pages, in the order of the work
``*_svg``     drawings of boards and regions for the page

A route parses, calls one task, and shows the result; nothing is fetched from outside.
"""
