"""Is what a rig sends right? What is wrong with its lines, and how to fix it. No I/O, no clock.

`Diagnosis` takes lines as they come in and gives a `Report`. It is stricter than the logger: the logger drops
what is wrong and goes on, this says why.
"""

from logger.diagnosis.finding import Finding
from logger.diagnosis.report import Diagnosis, Report

__all__ = ["Diagnosis", "Finding", "Report"]
