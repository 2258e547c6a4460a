"""Measured layers: the same numbers however they are written, and one clear line for what cannot be meant."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import pytest

from bronzeward.errors import InputError
from bronzeward.inputs import layer_measurements as module
from bronzeward.inputs.layer_measurements import ALLOWED, read_measurements
from bronzeward.inputs.starter import STARTER_LAYERS, text
from bronzeward.inputs.strand import Strand
from closeness import close

STRAND = Strand.round(24, 44)

AREAS = "temperature_C,time_h,layer,readings,area_percent,area_sd_percent\n"
PLAIN = "temperature_C,time_h,layer,mean_um,sd_um,readings\n210,6,eta,2.5,0.25,4\n210,6,epsilon,1.25,0.125,9\n"
WRITTEN = {
    "semicolons and decimal commas": "temperature_C;time_h;layer;mean_um;sd_um;readings\n"
    "210,0;6;eta;2,5;0,25;4\n210,0;6;epsilon;1,25;0,125;9\n",
    "units in brackets": "Layer;Mean [nm];SD [µm];Readings;Temperature [K];Time (min)\n"
    "eta;2500;0,25;4;483,15;360\nepsilon;1250;0,125;9;483,15;360\n",
    "tabs": PLAIN.replace(",", "\t"),
    "Fahrenheit, millimetres, seconds": "temperature_F,time_s,layer,mean_mm,sd_um,readings\n"
    "410,21600,eta,0.0025,0.25,4\n410,21600,epsilon,0.00125,0.125,9\n",
    "remarks and empty lines": "# furnace 3\n\n" + PLAIN.replace("\n210", "\n\n# second\n210"),
    "a separator at the end": PLAIN.replace("\n", ",\n"),
    "sample named once": "sample,temperature_C,time_h,layer,mean_um,sd_um,readings\n"
    "W1,210,6,eta,2.5,0.25,4\nW1,,,epsilon,1.25,0.125,9\n",
}


def read(folder: Path, content: str | bytes):
    path = folder / "layers.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return read_measurements(path, STRAND)


@pytest.mark.parametrize("code", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("written", WRITTEN)
def test_the_same_layers_however_they_are_written(tmp_path, written, code):
    wanted, found = read(tmp_path, PLAIN), read(tmp_path, WRITTEN[written].encode(code))
    for one, other in zip(wanted, found, strict=True):
        assert other.layers == one.layers
        assert other.mean == close(one.mean)
        assert other.deviation == close(one.deviation)
        assert other.readings == one.readings
        assert other.schedule.time == close(one.schedule.time)
        assert other.schedule.temperature == close(one.schedule.temperature)
    assert found[0].sample == found[1].sample


def test_areas_are_read_beside_thicknesses(tmp_path):
    head = "temperature_C;time_h;layer;mean_um;sd_um;readings;area [%];area sd (%)\n"
    rows = ("210;6;eta;2,5;0,25;4;;", "210;6;void;;;9;4,5;1,5", "210;6;eta+core;;;4;60;3")
    thick, void, both = read(tmp_path, head + "\n".join(rows))
    assert not thick.of_area
    assert (void.layers, void.layer, void.shown(void.mean)) == (("area of void",), "area of void", "4.5 %")
    assert (void.mean, void.log_error) == (close(0.045), close(1.5 / 4.5 / 3.0))
    assert both.layers == ("area of eta", "area of core")
    assert both.layer == "area of eta+core"
    only = read(tmp_path, "temperature_C,time_h,layer,readings,area_percent,area_sd_percent\n210,6,eta,4,30,2\n")
    assert only[0].mean == close(0.3)


def test_samples_of_one_schedule_may_have_names_of_their_own(tmp_path):
    first, second = read(
        tmp_path, "sample,temperature_C,time_h,layer,mean_um,sd_um,readings\nA,210,6,eta,2,1,4\nB,210,6,eta,2,1,4"
    )
    assert (first.sample, second.sample) == ("A", "B")


def test_a_layer_that_is_not_there(tmp_path):
    head = "temperature_C,time_h,layer,mean_um,sd_um,readings,below_um\n"
    bare, sharp = read(tmp_path, head + "210,6,delta,,,,0.05\n210,6,zeta,,0.005,4,0.05\n")
    assert bare.absent
    assert bare.mean == close(0.05e-6)
    assert bare.log_error == close(module.BLUR)
    assert sharp.log_error == close(0.1)
    assert bare.layer == "no delta"


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("", "no rows"),
        ("temperature_C,time_h,layer,mean,sd_um,readings\n", "'mean' has no known unit; write it as in mean_um"),
        ("temperature,time_h,layer,mean_um,sd_um,readings\n", "'temperature' has no known unit"),
        ("time_um,layer,mean_um,sd_um,readings\n", "'time_um' has no known unit; write it as in time_h"),
        ("layer,mean_um,mean_nm,sd_um,readings\n", "are the same"),
        ("layer,thickness_um,sd_um,readings\n", "unknown column 'thickness_um'"),
        ("layer,sd_um,readings\n", "column mean_um is missing"),
        (PLAIN + "210,6,eta,2,5,0,25,4\n", "decimal commas only with semicolons"),
        (PLAIN + "210,6,eta,,1,4\n", "mean_um is empty"),
        (PLAIN + "210,6,core+eta,3,1,4\n", "counts a layer twice"),
        (PLAIN + "210,6,eta,1e300,1,4\n", "finite and above 0"),
        ("temperature_K,time_h,layer,mean_um,sd_um,readings\n200,6,eta,2,1,4\n", "temperature is -73.15 °C"),
        ("temperature_C,time_h,layer,mean_um,sd_um,readings,below_um\n210,6,eta,2,1,4,0.1\n", "not both"),
        ("temperature_C,time_h,layer,sd_um,readings,below_um\n210,6,eta,1,4,\n", "below is empty"),
        (AREAS + "210,6,void,4,,\n", "area is empty"),
        (AREAS + "210,6,void,4,5,\n", "area_sd_percent is empty"),
        (AREAS + "210,6,eta,4,120,3\n", "cannot be more than the section"),
        (AREAS + "210,6,shell+eta,4,20,3\n", "counts a layer twice"),
        (AREAS.replace(",area_sd_percent", "") + "210,6,eta,4,20\n", "column area_sd_percent is missing"),
        ("temperature_C,time_h,layer,mean_um,sd_um,readings\n210,6,void,2,1,4\n", "layer 'void' is not known"),
        ("sample," + PLAIN.replace("\n210,6", "\nA,210,6", 1).replace("\n210,6", "\nA,210,7"), "row 2.*had another"),
        ("sample,temperature_C,time_h,layer,mean_um,sd_um,readings\nA,,,eta,2,1,4\n", "give case, or both"),
        (b"\0\1\2", "not a text file"),
    ],
)  # fmt: skip
def test_what_cannot_be_meant_is_told(tmp_path, content, message):
    with pytest.raises(InputError, match=message.replace("+", r"\+")):
        read(tmp_path, content)


def test_a_plane_couple_has_no_core_diameter(tmp_path):
    content = "temperature_C,time_h,layer,mean_um,sd_um,readings\n210,6,core,20,1,4\n"
    assert read(tmp_path, content)[0].layers == ("core",)
    with pytest.raises(InputError, match="no core diameter"):
        read_measurements(tmp_path / "layers.csv")


# --- the starter file


def test_the_starter_file_is_read_and_tells_of_every_column():
    rows = read_measurements(STARTER_LAYERS, STRAND)
    assert len({row.sample for row in rows}) == 2
    assert {row.layers[0] for row in rows} >= {"eta", "epsilon", "core", "shell"}
    assert any(row.absent for row in rows)
    remarks = " ".join(line for line in text(STARTER_LAYERS).splitlines() if line.startswith("#"))
    for name in ALLOWED:
        assert name.split("_")[0] in remarks
        assert name.split("_")[0] in (module.__doc__ or "")


def test_example_prints_it(command, tmp_path):
    code, out, _ = command("example", "--layers")
    assert (code, out) == (0, text(STARTER_LAYERS))
    code, out, _ = command("example", "--layers", "-o", tmp_path / "layers.csv", "--json")
    assert (tmp_path / "layers.csv").read_text(encoding="utf-8") == text(STARTER_LAYERS)
    rows = json.loads(out)["rows"]
    assert rows == list(
        csv.DictReader(io.StringIO(text(STARTER_LAYERS)[text(STARTER_LAYERS).index("\nsample,") + 1 :]))
    )


def test_a_new_user_fits_it_as_is_said(command, in_folder):
    """What it prints is run, and nothing is wrong with the numbers of the example."""
    command("example", "-o", "starter.toml")
    said = command("example", "--layers", "-o", "layers.csv")[1]
    assert "bronzeward fit layers.csv --case CASE.toml" in said
    code, out, _ = command("fit", "layers.csv", "--case", "starter.toml", "--json")
    data = json.loads(out)
    assert code == 0
    assert data["p_value"] > 0.05
    assert not any("scatter" in remark or "far from" in remark for remark in data["remarks"])
