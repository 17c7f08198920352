"""Figures of water in the simulator's physics against the iapws package (IAPWS-IF97), which knows nothing of Setward.

Reads the constants from the sources, so that a changed constant is compared too. Usage: steam.py ROOT
"""

import pathlib
import re
import sys

from iapws import IAPWS97


def constant(root, file, name):
    text = (root / "sim-plc/src/physics" / file).read_text()
    found = re.search(rf"const {name}: f64 = ([0-9_.e+-]+);", text)
    assert found, f"{file} has no constant {name}"
    return float(found.group(1).replace("_", ""))


def saturated(celsius, quality):
    return IAPWS97(T=celsius + 273.15, x=quality)


def main():
    root = pathlib.Path(sys.argv[1])
    evaporation = 1e3 * (saturated(100, 1).h - saturated(100, 0).h)
    heat = 1e3 * (saturated(100, 0).h - saturated(30, 0).h) / 70
    rows = [
        ("heat of evaporation at 100 degC, J/kg", constant(root, "product.rs", "EVAPORATION_J_PER_KG"), evaporation, 1e-4),
        ("heat capacity of water, 30 to 100 degC, J/(kg K)", constant(root, "parcel.rs", "WATER_J_PER_KG_K"), heat, 1e-4),
        # 2,000 L between 20 and 100 degC, as the boil-out's figure has it: a round number of a textbook.
        ("2,000 L of water, J/K", constant(root, "fryer.rs", "WATER_J_PER_K"), 2000 * heat, 6e-3),
    ]
    for what, ours, theirs, within in rows:
        print(f"{what}: {ours:.6g}, IAPWS-IF97 {theirs:.6g}")
        assert abs(ours / theirs - 1) <= within, what


main()
