(Board FBCGUG, round 1: cut of birch plywood 3 mm [birch plywood, 3 mm] on CO2 60 W, 160 x 70 mm: its)
(box with the beam off)
G21
G90
G94
G17
M5
S0
M5
G0 X0.000 Y0.000
M5
G0 X160.000 Y0.000
M5
G0 X160.000 Y70.000
M5
G0 X0.000 Y70.000
M5
G0 X0.000 Y0.000
M5
S0
G0 X0.000 Y0.000
M2
