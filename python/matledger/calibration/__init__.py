"""Fit the accumulation model to a course's own soil tests, and say what the tests taught."""

from matledger.calibration.chains import Chains
from matledger.calibration.checks import last_tests, leave_one_out
from matledger.calibration.diagnostics import Diagnosis
from matledger.calibration.fit import Calibration, Driving, calibrate

__all__ = ["Calibration", "Chains", "Diagnosis", "Driving", "calibrate", "last_tests", "leave_one_out"]
