"""What each network gets, and of what size."""

VIEW = (320, 544, 0.16)
"""Rows, columns, mm a pixel of the view of the lever's plane."""
STRIP = (48, 512, 0.06)
"""Rows, columns, mm a row of the strip along the rim's outline (columns: the outline's width); 4 columns a result."""
WINDOW = (96, 96, 0.08)
"""Rows, columns, mm a pixel of the window round the tip."""
AROUND = 4
"""How much coarser the second window is, which shows the same number of pixels round the same place."""
SIDE = (128, 48, 0.06, 0.08)
"""Rows (across the case's side, outwards), columns (along it, downwards), mm a row, mm a column of the strip there."""
SIDE_FROM = 1.6
"""How high over the rim (mm) a side's strip begins."""
