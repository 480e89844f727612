"""Colours and sizes of the printed sheets, for white paper. Two hues only, and none of them carries meaning alone."""

from reportlab.lib.colors import Color, HexColor

PAPER: Color = HexColor("#ffffff")
INK: Color = HexColor("#26241f")
SOFT: Color = HexColor("#6d685c")  # 5.5:1 on white
LINE: Color = HexColor("#cfc8b9")
GREY: Color = HexColor("#8d887c")  # ordinary values in the lanes; no text is set in it
LOW: Color = HexColor("#2a5f9e")  # flat or early
HIGH: Color = HexColor("#a8651a")  # sharp or late
NOTATION: Color = HexColor("#000000")

TITLE_PT = 23.0
HEADING_PT = 14.0
BODY_PT = 9.4
SMALL_PT = 7.8
LABEL_PT = 6.6  # figures in the lanes: the smallest type on a sheet
LEADING = 1.36  # of the size
