"""Is what a rig sends right? If not, what is wrong with its lines and how to fix it. No I/O, no clock.

`Diagnosis` takes lines as they come in and makes a `Report`. The logger drops bad lines and goes on; this
says why they are bad.
"""

from logger.diagnosis.finding import Finding
from logger.diagnosis.report import Diagnosis, Report

__all__ = ["Diagnosis", "Finding", "Report"]
