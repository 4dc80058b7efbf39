"""Why a chip fails: evidence, hypotheses that predict what would be read, their likelihood, and advice."""

from daemon.diagnosis.seating import SHIFTS as SHIFTS
from daemon.diagnosis.seating import PinFault as PinFault
from daemon.diagnosis.seating import Seating as Seating
from daemon.diagnosis.seating import judge_seating as judge_seating
