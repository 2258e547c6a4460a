"""Tables as files: what is written comes back, for bronzeward and for other tools; damage is told."""

import random

import netCDF4
import numpy as np
import pytest
import xarray

from bronzeward.errors import InputError
from bronzeward.thermo import load_table, table_file
from bronzeward.thermo.diagram_parts import Field
from thermo_systems import assert_same, solution, table, written


def through_a_file(original, folder):
    path = folder / "table.nc"
    table_file.write(original, path)
    return table_file.read(path)


def test_everything_comes_back(tmp_path):
    assert_same(through_a_file(table(), tmp_path), table())


def test_a_table_without_reactions_comes_back(tmp_path):
    """One phase: nearly every list is empty."""
    alone = load_table(written(tmp_path, solution("LIQUID", "0", "0")), cache=False)
    assert_same(through_a_file(alone, tmp_path), alone)


def test_names_beyond_ascii_come_back(tmp_path):
    """Labels, titles and sources are a user's own."""
    path = written(tmp_path, solution("LIQUID", "0", "0"), solution("MY_FCC", "-10000+10*T", "-4000+8*T"))
    path.with_suffix(".toml").write_text(
        'title = "Kupfer – Zinn"\nsources = ["a, b", "c; d"]\n[phases]\nMY_FCC = "α-fest"\n', encoding="utf-8"
    )
    named = load_table(path, cache=False)
    assert {field.copper_side for field in named.fields} == {"α-fest"}
    assert_same(through_a_file(named, tmp_path), named)


def test_other_tools_read_it(tmp_path):
    """xarray gives names as text, numbers with units, and the points of each field by its index."""
    path = tmp_path / "diagram.nc"
    table_file.write(table(), path)
    with xarray.open_dataset(path) as data:
        assert data.schema == "bronzeward/diagram/1"
        assert data.tdb_sha256 == table().tdb_sha256
        assert data.invariant_reaction.values.tolist() == [each.reaction for each in table().invariants]
        assert data.invariant_temperature.units == "K"
        assert all("long_name" in variable.attrs for variable in data.variables.values())
        fifth = data.isel(boundary_point=data.boundary_field.values == 5)
        field = Field(
            *(str(data[f"field_{side}_side"].values[5]) for side in ("tin", "copper")),
            fifth.boundary_temperature.values,
            fifth.boundary_tin_side_x_sn.values,
            fifth.boundary_copper_side_x_sn.values,
        )
        assert field.name == table().fields[5].name
        np.testing.assert_array_equal(field.temperature, table().fields[5].temperature)
        np.testing.assert_array_equal(field.x_tin_side, table().fields[5].x_tin_side)
        np.testing.assert_array_equal(data.liquidus, table().liquidus(data.composition_x_sn.values))
    assert [file.name for file in tmp_path.iterdir()] == ["diagram.nc"]


def test_is_not_overwritten_unasked(tmp_path):
    path = tmp_path / "diagram.nc"
    path.write_text("mine")
    with pytest.raises(InputError, match="exists already"):
        table_file.write(table(), path)
    assert path.read_text() == "mine"
    table_file.write(table(), path, overwrite=True)
    with pytest.raises(InputError, match="does not exist"):
        table_file.write(table(), tmp_path / "none" / "diagram.nc")


def test_every_damage_is_refused(tmp_path):
    """A bit turned, a piece lost or inverted, anywhere; on some the netCDF library alone would crash or hang."""
    path = tmp_path / "table.nc"
    table_file.write(table(), path)
    content, chance = path.read_bytes(), random.Random(11)
    for _ in range(100):
        place, size = chance.randrange(len(content)), 1 + chance.randrange(400)
        piece, after = content[place : place + size], content[place + size :]
        turned = bytes([piece[0] ^ 1 << chance.randrange(8)]) + piece[1:]
        for rest in (turned + after, after, bytes(byte ^ 0xFF for byte in piece) + after):
            path.write_bytes(content[:place] + rest)
            assert table_file.read(path) is None


@pytest.mark.parametrize("name", ["boundary_temperature", "stack_field", "invariant_phase_name", "description_title"])
def test_a_changed_value_is_refused(tmp_path, name):
    """By the netCDF library itself, which keeps the file whole."""
    path = tmp_path / "table.nc"
    table_file.write(table(), path)
    with netCDF4.Dataset(path, "a") as data:
        if name in data.variables:
            data[name][1] = data[name][1] + ("x" if data[name].dtype is str else 1)
        else:
            data.setncattr(name, "another")
    assert table_file.read(path) is None
