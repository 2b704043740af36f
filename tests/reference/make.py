#!/usr/bin/env python3
"""Writes the reference tables of this folder from libraries that share nothing with fobwatch.

    python3 -m venv VENV && VENV/bin/pip install -r requirements.txt && VENV/bin/python make.py

Each file says in its first lines what made it. The values are those of the library, converted in units alone.
"""
from importlib.metadata import version
from pathlib import Path

import CoolProp.CoolProp as cp
import iapws
from phreeqpython import PhreeqPython

HERE = Path(__file__).parent
CELSIUS = [0, 2, 4, 6, 8, 10, 12, 15, 18, 20, 22, 25, 28, 30, 33, 35, 38, 40]
BAR = [0.5, 1, 1.5, 2, 3, 4, 5, 6.5, 8]
ATM = 1.01325  # bar
CO2_G = 44.009


def write(name, comments, columns, rows):
    text = "".join(f"# {line}\n" for line in comments) + ",".join(columns) + "\n"
    for row in rows:
        text += ",".join(f"{value:.8g}" for value in row) + "\n"
    (HERE / name).write_text(text)
    print(name, len(rows), "rows")


def phreeqc(gas, celsius, bar):
    """Water under a gas at a fixed pressure, by PHREEQC's GAS_PHASE (Peng-Robinson) with phreeqc.dat."""
    pp = PhreeqPython(database="phreeqc.dat")
    element = {"CO2": "C(4)", "Ntg": "Ntg", "N2": "N(0)"}[gas]
    pp.ip.run_string(f"""
SOLUTION 1
    temp {celsius}
    pressure {bar / ATM}
    pH 7 charge
    -water 1
GAS_PHASE 1
    -fixed_pressure
    -pressure {bar / ATM}
    -volume 1000
    -temperature {celsius}
    {gas}(g) {bar / ATM}
SELECTED_OUTPUT 1
    -reset false
USER_PUNCH 1
    -headings total water volume density phi molar_volume molality
    -start
    10 PUNCH TOT("{element}"), TOT("water"), SOLN_VOL, RHO, PR_PHI("{gas}(g)"), VM("{gas}"), MOL("{gas}")
    -end
END
""")
    table = pp.ip.get_selected_output_array()
    return dict(zip(table[0], table[-1]))


def co2_in_water():
    rows = []
    for t in CELSIUS:
        for p in BAR:
            got = phreeqc("CO2", t, p)
            moles = got["total"] * got["water"]
            rows.append([t, p, moles * CO2_G / got["volume"], got["molality"], got["phi"], got["density"], got["molar_volume"]])
    write(
        "co2_phreeqc.csv",
        [
            f"PHREEQC through phreeqpython {version('phreeqpython')}, database phreeqc.dat.",
            "Pure water under CO2 alone at co2_bar (all of the pressure); CO2 per litre of the solution.",
        ],
        ["celsius", "co2_bar", "co2_g_per_l", "co2_mol_per_kg_water", "fugacity_coefficient", "density_kg_per_l", "molar_volume_cm3"],
        rows,
    )


def nitrogen_in_water():
    rows = []
    for t in CELSIUS:
        got = phreeqc("Ntg", t, ATM)
        rows.append([t, got["total"] * got["water"] / got["volume"] * 1000 / (ATM * 1e5)])
    write(
        "n2_phreeqc.csv",
        [
            f"PHREEQC through phreeqpython {version('phreeqpython')}, database phreeqc.dat.",
            "Nitrogen (as Ntg, without reactions) dissolved in water under 1 atm of nitrogen.",
        ],
        ["celsius", "mol_per_m3_pa"],
        rows,
    )


def co2_gas():
    rows = []
    for t in CELSIUS:
        kelvin = t + 273.15
        virial = cp.PropsSI("Bvirial", "T", kelvin, "Dmolar", 1e-6, "CO2") * 1e6
        for p in BAR:
            density = cp.PropsSI("D", "T", kelvin, "P", p * 1e5, "CO2")
            state = cp.AbstractState("HEOS", "CO2")
            state.update(cp.PT_INPUTS, p * 1e5, kelvin)
            rows.append([t, p, density, state.fugacity_coefficient(0), virial])
    write(
        "co2_gas_coolprop.csv",
        [
            f"CoolProp {version('CoolProp')}, HEOS (Span-Wagner equation of CO2).",
            "1 volume: density at 0 degC and 1 atm is "
            f"{cp.PropsSI('D', 'T', 273.15, 'P', 101325, 'CO2'):.6f} kg/m3.",
        ],
        ["celsius", "co2_bar", "density_kg_per_m3", "fugacity_coefficient", "virial_cm3_per_mol"],
        rows,
    )


def co2_beside_nitrogen():
    rows = []
    gas_constant = 8.31446261815324
    for t in [0, 4, 10, 20, 30, 40]:
        kelvin = t + 273.15
        nitrogen_bar = 0.79 * (ATM - 0.02339) * kelvin / 293.15
        nitrogen_density = nitrogen_bar * 1e5 / (gas_constant * kelvin)
        for co2_density in [20.0, 60.0, 120.0, 200.0, 300.0]:
            total_density = nitrogen_density + co2_density
            state = cp.AbstractState("HEOS", "CO2&N2")
            share = co2_density / total_density
            state.set_mole_fractions([share, 1 - share])
            state.specify_phase(cp.iphase_gas)
            state.update(cp.DmolarT_INPUTS, total_density, kelvin)
            fugacity = state.fugacity(0)
            rows.append([t, nitrogen_bar, co2_density, state.p() / 1e5, fugacity / 1e5])
    write(
        "co2_n2_coolprop.csv",
        [
            f"CoolProp {version('CoolProp')}, HEOS mixture CO2 and nitrogen.",
            "Nitrogen as left in a bottle closed at 20 degC; nitrogen_bar is what it would have as an ideal gas alone.",
        ],
        ["celsius", "nitrogen_bar", "co2_mol_per_m3", "total_bar", "co2_fugacity_bar"],
        rows,
    )


def water():
    rows = []
    for t in [0.5] + CELSIUS[1:]:
        kelvin = t + 273.15
        saturated = iapws.IAPWS95(T=kelvin, x=0)
        liquid = iapws.IAPWS95(T=kelvin, P=0.101325)
        rows.append([t, saturated.P * 1e6, liquid.rho])
    write(
        "water_iapws.csv",
        [
            f"iapws {version('iapws')}, IAPWS-95: saturation pressure; density of liquid water at 1 atm.",
        ],
        ["celsius", "vapour_pa", "density_kg_per_m3"],
        rows,
    )


def ethanol():
    rows = []
    for percent in [0.5, 1, 2, 3, 4, 5, 6, 8, 10]:
        rows.append([percent, cp.PropsSI("D", "T", 293.15, "P", 101325, f"INCOMP::MEA[{percent / 100}]")])
    write(
        "ethanol_coolprop.csv",
        [
            f"CoolProp {version('CoolProp')}, INCOMP::MEA (ethanol in water after Melinder 2010), 20 degC.",
        ],
        ["ethanol_mass_percent", "density_kg_per_m3"],
        rows,
    )


if __name__ == "__main__":
    water()
    ethanol()
    co2_gas()
    co2_beside_nitrogen()
    nitrogen_in_water()
    co2_in_water()
