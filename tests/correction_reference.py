#!/usr/bin/env python3
"""Currents, losses and voltages of corrections, from the general power-flow library pandapower.

Makes a virtual environment below target/, installs pandapower 3.5.6 (BSD licence) and what it
needs there, and prints one JSON list: for each case the network's data, and without and with
capacitors the load's voltage, the line's current, the losses of transformer and cable.

Usage: correction_reference.py FOLDER     (the environment is FOLDER/pandapower)
       correction_reference.py --inside
"""
import json
import math
import pathlib
import subprocess
import sys
import venv

# Secondary V, Hz, kVA, Z %, load loss kW, cable m, ohm/km, load kW, PF, kvar at rated V.
CASES = [
    (480.0, 60.0, 1000.0, 6.0, 10.0, 50.0, (0.02, 0.03), 800.0, 0.75, 442.6),
    (400.0, 50.0, 630.0, 4.5, 6.5, 35.0, (0.025, 0.08), 320.0, 0.70, 200.0),
    (400.0, 50.0, 250.0, 4.0, 3.2, 60.0, (0.06, 0.08), 40.0, 0.60, 70.0),
]


def inside():
    import pandapower as pp

    out = []
    for v, hz, kva, z, loss_kw, metres, (r, x), kw, pf, kvar in CASES:
        states = []
        for bank in (0.0, kvar):
            net = pp.create_empty_network(f_hz=hz, sn_mva=1.0)
            high = pp.create_bus(net, vn_kv=13.8)
            low = pp.create_bus(net, vn_kv=v / 1e3)
            load = pp.create_bus(net, vn_kv=v / 1e3)
            pp.create_ext_grid(net, high, vm_pu=1.0)
            pp.create_transformer_from_parameters(
                net, high, low, sn_mva=kva / 1e3, vn_hv_kv=13.8, vn_lv_kv=v / 1e3,
                vk_percent=z, vkr_percent=loss_kw / kva * 100, pfe_kw=0, i0_percent=0)
            line = pp.create_line_from_parameters(
                net, low, load, length_km=metres / 1e3, r_ohm_per_km=r, x_ohm_per_km=x,
                c_nf_per_km=0, max_i_ka=10)
            pp.create_load(net, load, p_mw=kw / 1e3, q_mvar=kw / 1e3 * math.tan(math.acos(pf)))
            if bank:
                pp.create_shunt(net, load, q_mvar=-bank / 1e3, p_mw=0)
            pp.runpp(net, tolerance_mva=1e-10)
            states.append({
                "v_ratio": float(net.res_bus.vm_pu.at[load]),
                "current_a": float(net.res_line.i_ka.at[line]) * 1e3,
                "loss_w": float(net.res_trafo.pl_mw.iloc[0] + net.res_line.pl_mw.at[line]) * 1e6,
            })
        out.append({
            "line_voltage_v": v, "frequency_hz": hz, "kva": kva, "z_pct": z,
            "load_loss_kw": loss_kw, "length_m": metres, "ohm_per_km": r,
            "reactance_ohm_per_km": x, "kw": kw, "pf": pf, "kvar": kvar,
            "without": states[0], "with": states[1],
        })
    print(json.dumps(out))


def main():
    if sys.argv[1:] == ["--inside"]:
        return inside()
    home = pathlib.Path(sys.argv[1]) / "pandapower"
    python = home / "bin" / "python"
    done = home / "installed"
    if not done.exists():
        venv.create(home, with_pip=True, clear=True)
        subprocess.run(
            [python, "-m", "pip", "install", "--quiet", "--disable-pip-version-check",
             "pandapower==3.5.6"], check=True, stdout=sys.stderr)
        done.touch()
    subprocess.run([python, __file__, "--inside"], check=True)


if __name__ == "__main__":
    main()
