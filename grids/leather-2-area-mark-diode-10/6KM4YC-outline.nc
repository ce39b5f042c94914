(Board 6KM4YC, round 1: area mark of vegetable tanned leather 2 mm [vegetable tanned leather, 2 mm])
(on diode 10 W, 110 x 70 mm: its box with the beam off)
G21
G90
G94
G17
M5
S0
M5
G0 X0.000 Y0.000
M5
G0 X110.000 Y0.000
M5
G0 X110.000 Y70.000
M5
G0 X0.000 Y70.000
M5
G0 X0.000 Y0.000
M5
S0
G0 X0.000 Y0.000
M2
