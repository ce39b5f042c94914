(Board V7AHQT, round 1: cut of oak veneer 0.6 mm [oak veneer, 0.6 mm] on CO2 40 W, 110 x 90 mm: its)
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
G0 X110.000 Y0.000
M5
G0 X110.000 Y90.000
M5
G0 X0.000 Y90.000
M5
G0 X0.000 Y0.000
M5
S0
G0 X0.000 Y0.000
M2
