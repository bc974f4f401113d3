"""Salinity, density, constants, buffers and units against what is published. Sources beside each value."""

import gsw
import numpy as np
import pytest

from saltern.chemistry import equilibria
from saltern.chemistry.conductivity import undo_compensation
from saltern.chemistry.electrode import BUFFERS, buffer_ph, calibrate, nernst_slope_mv, tris_ph_total
from saltern.chemistry.quantities import Medium
from saltern.chemistry.seawater import conductivity_ms_cm, density_kg_l, practical_salinity, totals
from saltern.chemistry.units import (
    dkh_to_umol_kg,
    meq_l_to_umol_kg,
    umol_kg_to_dkh,
    umol_kg_to_meq_l,
    umol_kg_to_mg_l_caco3,
)
from saltern_drivers.twin.density import seawater_g_ml
from tests.published.data import rows as rows_of

C_35_15_0 = 42.914  # mS/cm at t68 = 15 degC: Culkin & Smith 1980
T68_PER_T90 = 1.00024


@pytest.mark.parametrize(
    ("ratio", "t68", "salinity"),
    [(1.0, 15.0, 35.0)],
)
def test_pss78_at_its_defining_point(ratio, t68, salinity):
    """Fofonoff & Millard 1983, UNESCO Tech. Pap. Mar. Sci. 44."""
    assert practical_salinity(ratio * C_35_15_0, t68 / T68_PER_T90) == pytest.approx(salinity, abs=1e-3)


@pytest.mark.parametrize(("rt", "t68", "salinity"), [(1.0568875, 20.0, 37.245628), (0.81705885, 5.0, 27.995347)])
def test_pss78_at_atmospheric_ratios(rt, t68, salinity):
    """UNESCO 44: atmospheric ratio Rt = C(S,t) / C(35,t)."""
    t90 = t68 / T68_PER_T90

    assert practical_salinity(rt * conductivity_ms_cm(35.0, t90), t90) == pytest.approx(salinity, abs=1e-4)


def test_salinity_over_the_whole_range_of_a_tank():
    """Grid computed with gsw 3.6.23."""
    for row in rows_of("pss78_S_from_C.csv"):
        c = float(row["C_mS_cm"])
        for t in (18, 25, 30):
            expected = float(row[f"S_at_{t}C"])
            if 2.0 < expected < 42.0:
                assert practical_salinity(c, t) == pytest.approx(expected, abs=1e-4)


EOS80 = [(0.0, 5.0, 999.96675), (0.0, 25.0, 997.04796), (35.0, 5.0, 1027.67547), (35.0, 25.0, 1023.34306)]
"""UNESCO 1981, Tech. Pap. 36: practical salinity, degC (IPTS-68), kg/m3."""


@pytest.mark.parametrize(("salinity", "t68", "kg_m3"), EOS80)
def test_density_agrees_with_eos80(salinity, t68, kg_m3):
    """TEOS-10 differs from EOS-80 by a few thousandths of kg/m3."""
    assert 1000.0 * density_kg_l(salinity, t68 / T68_PER_T90) == pytest.approx(kg_m3, abs=0.01)


@pytest.mark.parametrize(("salinity", "t68", "kg_m3"), EOS80)
def test_the_twin_has_its_density_by_another_road(salinity, t68, kg_m3):
    assert 1000.0 * seawater_g_ml(salinity, t68 / T68_PER_T90) == pytest.approx(kg_m3, abs=1e-5)


def test_density_agrees_with_teos10():
    assert 1000.0 * density_kg_l(35.0, 25.0) == pytest.approx(1023.3436, abs=1e-3)


def test_2300_umol_kg_is_6_60_dkh_and_not_6_45():
    """The trap is to forget density: a 2.3 % error."""
    assert umol_kg_to_dkh(2300.0, 35.0, 25.0) == pytest.approx(6.599, abs=0.002)


def test_units_of_alkalinity():
    """1 meq/L = 2.8039 dKH = 50.043 mg/L CaCO3 (molar masses of CaO and CaCO3)."""
    assert umol_kg_to_meq_l(meq_l_to_umol_kg(1.0, 35.0), 35.0) == pytest.approx(1.0)
    assert umol_kg_to_dkh(meq_l_to_umol_kg(1.0, 35.0), 35.0) == pytest.approx(2.8039, abs=1e-4)
    assert umol_kg_to_mg_l_caco3(meq_l_to_umol_kg(1.0, 35.0), 35.0) == pytest.approx(50.043, abs=1e-3)
    assert dkh_to_umol_kg(umol_kg_to_dkh(2345.0, 33.0), 33.0) == pytest.approx(2345.0)


PK_COLUMNS = {
    "k1": "pK1_free",
    "k2": "pK2_free",
    "kb": "pKB_free",
    "kw": "pKW_free",
    "ks": "pKS_free",
    "kf": "pKF_free",
}


def test_constants_agree_with_pyco2sys_over_the_whole_grid():
    """PyCO2SYS 1.8.3: Lueker et al. 2000, Dickson 1990, Dickson & Riley 1979, Millero 1995, Weiss 1974."""
    rows = [r for r in rows_of("equilibrium_constants_pyco2sys.csv") if r["opt_k_fluoride"] == "1"]
    assert len(rows) > 50
    for row in rows:
        s, t = float(row["S"]), float(row["T"])
        k = equilibria.constants(s, t)
        for name, column in PK_COLUMNS.items():
            assert -np.log10(getattr(k, name)) == pytest.approx(float(row[column]), abs=1e-5), (name, s, t)
        assert np.log(k.k0) == pytest.approx(float(row["lnK0"]), abs=1e-5)
        assert totals(s).borate * 1e6 == pytest.approx(float(row["BT_uppstrom"]), abs=0.1)
        assert totals(s).sulfate * 1e6 == pytest.approx(float(row["ST"]), rel=1e-4)


def test_phosphate_and_silicate_constants_agree_with_pyco2sys():
    """PyCO2SYS converts the same fits from the seawater scale: within 1 %."""
    pyco2sys = pytest.importorskip("PyCO2SYS", reason="PyCO2SYS is not installed")
    out = pyco2sys.sys(salinity=35.0, temperature=25.0, opt_pH_scale=3, opt_k_fluoride=1)
    k = equilibria.constants(35.0, 25.0)

    for ours, theirs in (
        (k.kp1, "k_phosphoric_1"),
        (k.kp2, "k_phosphoric_2"),
        (k.kp3, "k_phosphoric_3"),
        (k.ksi, "k_silicate"),
    ):
        assert ours == pytest.approx(float(out[theirs]), rel=0.025), theirs


def test_carbonate_constants_in_sodium_chloride_are_near_a_pitzer_model():
    """PHREEQC with pitzer.dat, 0.7 mol/kg NaCl, 25 degC; ours are from memory, so 0.15 is asked."""
    phreeqpython = pytest.importorskip("phreeqpython", reason="PHREEQC is not installed")
    solution = phreeqpython.PhreeqPython(database="pitzer.dat").add_solution_simple(
        {"NaCl": 700.0, "NaHCO3": 2.0}, temperature=25.0
    )
    m = solution.species_molalities
    h = m["H+"]
    pk1 = -np.log10(h * m["HCO3-"] / m["CO2"])
    pk2 = -np.log10(h * m["CO3-2"] / m["HCO3-"])
    k = equilibria.constants(35.0, 25.0, Medium.NACL)

    assert -np.log10(k.k1) == pytest.approx(pk1, abs=0.15)
    assert -np.log10(k.k2) == pytest.approx(pk2, abs=0.15)


@pytest.mark.parametrize(("t", "mv"), [(0, 54.199), (15, 57.175), (20, 58.167), (25, 59.159), (30, 60.152)])
def test_nernst_slope(t, mv):
    """RT ln10 / F with the exact SI constants (CODATA 2018)."""
    assert nernst_slope_mv(t) == pytest.approx(mv, abs=0.002)


def test_tris_buffer_in_artificial_seawater():
    """DelValls & Dickson 1998; SOP 6a."""
    assert tris_ph_total(35.0, 25.0) == pytest.approx(8.0935, abs=5e-4)


def test_sop6a_worked_example():
    """SOP 6a: E of sample -67 mV, of tris -72.4 mV (falling with acid) is total pH 8.00227."""
    assert tris_ph_total(35.0, 25.0) + (-72.4 - -67.0) / nernst_slope_mv(25.0) == pytest.approx(8.00227, abs=3e-4)


def test_buffers_at_25_degrees():
    """JIS Z 8802, two decimals."""
    assert buffer_ph("phthalate 0.05 mol/kg", 25.0) == pytest.approx(4.01, abs=0.006)
    assert buffer_ph("phosphate 0.025 mol/kg", 25.0) == pytest.approx(6.86, abs=0.006)
    assert buffer_ph("borax 0.01 mol/kg", 25.0) == pytest.approx(9.18, abs=0.006)
    assert len(BUFFERS) == 5


def test_phthalate_by_temperature_follows_its_equation():
    """Hetzer, Durst, Robinson & Bates 1977, J. Res. NBS 81A, 21."""
    for t in (15.0, 20.0, 25.0, 30.0):
        k = t + 273.15
        equation = 2073.44 / k - 13.3270 + 0.045199 * k - 3.4846e-5 * k * k
        assert buffer_ph("phthalate 0.05 mol/kg", t) == pytest.approx(equation, abs=0.003)


def test_a_perfect_electrode_calibrates_to_100_percent():
    ph = np.array([6.865, 4.005, 9.18])
    found = calibrate(3.0 + nernst_slope_mv(25.0) * (7.0 - ph), ph, 25.0, noise_mv=0.2)

    assert found.slope_percent.value == pytest.approx(100.0)
    assert found.e7_mv.value == pytest.approx(3.0)


def test_three_buffers_leave_one_degree_of_freedom():
    """Least squares by hand: pH 10, 7, 4 and a middle signal that is 3 mV off leave +1, -2, +1 mV; over n - 2 = 1."""
    ph = np.array([10.0, 7.0, 4.0])
    signals = nernst_slope_mv(25.0) * (7.0 - ph) + np.array([0.0, 3.0, 0.0])

    assert calibrate(signals, ph, 25.0, noise_mv=0.1).residual_mv == pytest.approx(6.0**0.5)
    assert calibrate(signals[:2], ph[:2], 25.0, noise_mv=0.1).residual_mv == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("t", [20.0, 28.0])
@pytest.mark.parametrize("salinity", [30.0, 35.0])
def test_linear_board_compensation_is_undone(t, salinity):
    """What the board divides by is multiplied back; forgotten, 35 would read 37 at 28 degC."""
    true = gsw.C_from_SP(salinity, t, 0.0)
    sent = true / (1.0 + 0.02 * (t - 25.0))
    back = undo_compensation(sent, t, kind="linear", alpha_percent_per_k=2.0, reference_c=25.0)

    assert practical_salinity(back, t) == pytest.approx(salinity, abs=1e-6)
    assert abs(practical_salinity(sent, t) - salinity) > 1.5


def test_nonlinear_board_compensation_is_seawaters_own():
    """Grid of C(t)/C(25) computed with gsw 3.6.23."""
    for row in rows_of("seawater_C_ratio_to_25C.csv"):
        if float(row["S"]) == 35.0:
            for t in (20, 28):
                back = undo_compensation(53.0, t, kind="nonlinear", alpha_percent_per_k=0.0, reference_c=25.0)
                assert back / 53.0 == pytest.approx(float(row[f"C{t}/C25"]), abs=1e-5)
