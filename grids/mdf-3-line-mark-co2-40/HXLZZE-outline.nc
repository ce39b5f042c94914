(Board HXLZZE, round 1: line mark of MDF 3 mm [MDF, 3 mm] on CO2 40 W, 150 x 60 mm: its box with the)
(beam off)
G21
G90
G94
G17
M5
S0
M5
G0 X0.000 Y0.000
M5
G0 X150.000 Y0.000
M5
G0 X150.000 Y60.000
M5
G0 X0.000 Y60.000
M5
G0 X0.000 Y0.000
M5
S0
M2
