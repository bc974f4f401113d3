"""Curves made by PyCO2SYS and PHREEQC, 1800 to 3600 umol/kg, 20 to 28 degC, S 30 to 38, both acids."""

import numpy as np
import pytest

from tests.published.foreign_curves import cases, deviation, phreeqc_curve, pyco2sys_curve

LIMIT_UMOL_KG = 4.0


@pytest.mark.parametrize("co2", ["closed", "equilibrated"])
def test_the_default_method_is_right_on_every_curve_of_pyco2sys(co2):
    pytest.importorskip("PyCO2SYS", reason="PyCO2SYS is not installed")

    found = {case: deviation(case, pyco2sys_curve(case)) for case in cases("PyCO2SYS") if case.co2 == co2}

    assert len(found) == 18
    assert max(abs(off) for off in found.values()) < LIMIT_UMOL_KG
    assert max(abs(off) for off in found.values()) < (1.5 if co2 == "equilibrated" else 1.0)


@pytest.mark.parametrize("co2", ["closed", "equilibrated"])
@pytest.mark.parametrize("database", ["phreeqc.dat", "pitzer.dat"])
def test_the_default_method_is_right_on_every_curve_of_phreeqc(database, co2):
    pytest.importorskip("phreeqpython", reason="PHREEQC is not installed")

    found = {c: deviation(c, phreeqc_curve(c, database)) for c in cases(database) if c.co2 == co2}

    assert len(found) == 18
    assert max(abs(off) for off in found.values()) < LIMIT_UMOL_KG


def test_a_fit_of_the_acid_end_alone_that_ignores_carbonate_reads_low_on_closed_curves():
    pytest.importorskip("PyCO2SYS", reason="PyCO2SYS is not installed")

    found = [deviation(c, pyco2sys_curve(c), "sop3b") for c in cases("PyCO2SYS") if c.co2 == "closed"]

    assert np.max(found) < -4.0
    assert np.min(found) > -25.0
