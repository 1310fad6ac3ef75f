"""Fit the accumulation model to a course's own soil tests, and say what the tests taught."""

from matledger.calibration.before import PriorCheck, prior_check
from matledger.calibration.chains import Chains
from matledger.calibration.checks import last_tests, leave_one_out, predictive_checks
from matledger.calibration.diagnostics import Diagnosis
from matledger.calibration.fit import Calibration, calibrate
from matledger.calibration.invented import Invented, invent_tests
from matledger.calibration.site import Driving

__all__ = [
    "Calibration",
    "Chains",
    "Diagnosis",
    "Driving",
    "Invented",
    "PriorCheck",
    "calibrate",
    "invent_tests",
    "last_tests",
    "leave_one_out",
    "predictive_checks",
    "prior_check",
]
