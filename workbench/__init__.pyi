"""What ``import workbench as wb`` offers, and where each thing lies."""

from .chart import Chart as Chart
from .chart import Note as Note
from .checking.checklist import CheckList as CheckList
from .errors import WorkbenchError as WorkbenchError
from .frontdoor import bar_lines as bar_lines
from .frontdoor import beats as beats
from .frontdoor import check as check
from .frontdoor import compare as compare
from .frontdoor import correct as correct
from .frontdoor import demo_song as demo_song
from .frontdoor import draft as draft
from .frontdoor import edits as edits
from .frontdoor import engrave as engrave
from .frontdoor import exercises as exercises
from .frontdoor import export as export
from .frontdoor import film as film
from .frontdoor import from_music21 as from_music21
from .frontdoor import hits as hits
from .frontdoor import keep_take as keep_take
from .frontdoor import lay_bars as lay_bars
from .frontdoor import lesson as lesson
from .frontdoor import mark_reading as mark_reading
from .frontdoor import open_chart as open_chart
from .frontdoor import play as play
from .frontdoor import plot as plot
from .frontdoor import practice_pack as practice_pack
from .frontdoor import read_chart as read_chart
from .frontdoor import read_part as read_part
from .frontdoor import report as report
from .frontdoor import save_chart as save_chart
from .frontdoor import set_list as set_list
from .frontdoor import shelf as shelf
from .frontdoor import stems as stems
from .frontdoor import sticking as sticking
from .frontdoor import take as take
from .frontdoor import to_music21 as to_music21
from .grid import HitGrid as HitGrid
from .grid import ScoreView as ScoreView
from .grid import workspace as workspace
from .listening.draft import Draft as Draft
from .reading.plot import draw_feel as draw_feel
from .reading.plot import draw_fill as draw_fill
from .reading.plot import draw_form as draw_form
from .reading.plot import draw_groove as draw_groove

__version__: str
