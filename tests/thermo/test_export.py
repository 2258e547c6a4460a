"""Data for other tools: schemas, names, round trips."""

import csv
import io
import json

from bronzeward.thermo import export, phases_along
from closeness import close
from thermo_systems import table


def test_invariants_data():
    data = json.loads(json.dumps(export.invariants(table())))
    assert data["schema"] == "bronzeward/invariants/1"
    first = data["invariants"][1]
    assert list(first) == ["kind", "reaction", "temperature_K", "temperature_C", "phases"]
    assert first["reaction"] == "liquid -> eta + (Sn)"
    assert first["temperature_K"] - first["temperature_C"] == close(273.15)
    assert list(first["phases"][0]) == ["name", "x_sn", "w_sn"]
    assert len(data["invariants"]) == len(table().invariants)


def test_everything_is_json():
    data = json.loads(json.dumps(export.everything(table()), allow_nan=False))
    assert data["schema"] == "bronzeward/diagram/1"
    assert {"invariants", "liquidus", "fields", "tdb_sha256", "references"} <= set(data)
    field = data["fields"][0]
    sizes = {len(field[name]) for name in ("temperature_K", "x_copper_side", "w_tin_side")}
    assert len(sizes) == 1


def test_csv_reads_back():
    diagram = table()
    rows = list(csv.DictReader(io.StringIO(export.invariants_csv(diagram))))
    assert len(rows) == sum(len(r.phases) for r in diagram.invariants)
    assert float(rows[0]["temperature_K"]) == diagram.invariants[0].temperature
    rows = list(csv.DictReader(io.StringIO(export.boundaries_csv(diagram))))
    assert len(rows) == sum(field.temperature.size for field in diagram.fields)
    assert float(rows[-1]["x_tin_side"]) == diagram.fields[-1].x_tin_side[-1]
    rows = list(csv.DictReader(io.StringIO(export.liquidus_csv(diagram, [0.1, 0.2]))))
    assert [float(row["x_sn"]) for row in rows] == [0.1, 0.2]


def test_comparison_and_path_data():
    data = export.comparison(table(), table("cu-sn-nist1999-alpha"))
    assert data["schema"] == "bronzeward/comparison/1"
    row = next(row for row in data["rows"] if row["reaction"] == "delta -> alpha + epsilon")
    assert row["difference_K"] == close(row["second_K"] - row["first_K"])
    stretches = phases_along(table(), [300, 900], 0.2)
    data = json.loads(json.dumps(export.path(stretches, 0.2), allow_nan=False))
    assert data["stretches"][0]["from_K"] == 300
    assert data["stretches"][0]["phases"][0]["start"]["fraction"] == stretches[0].start_fraction[0]
