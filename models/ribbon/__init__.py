"""Where glass lies on the ribbon and when it passed each point of the line.

Pure arithmetic on numbers and arrays: no session, no clock, no disk.
Positions along the ribbon are metres of the line's counter, positions across it millimetres
from the left gross edge.
"""

from models.ribbon.lag import STATIONS, Layout, LineLog, times_of
from models.ribbon.place import ribbon_place
from models.ribbon.pull import drawn_tonnes, glass_area_m2, known_pull, pull_t_per_day, speed_m_per_min
from models.ribbon.readings import Readings
from models.ribbon.residence import MeasuredResidence, Residence, VesselChain
from models.ribbon.tracer import TracerResult, analyse

__all__ = [
    "STATIONS",
    "Layout",
    "LineLog",
    "MeasuredResidence",
    "Readings",
    "Residence",
    "TracerResult",
    "VesselChain",
    "analyse",
    "drawn_tonnes",
    "glass_area_m2",
    "known_pull",
    "pull_t_per_day",
    "ribbon_place",
    "speed_m_per_min",
    "times_of",
]
