"""The descriptions that come along, and a user's own TDB file."""

import hashlib
import re
from itertools import pairwise

import numpy as np
import pytest

from bronzeward import files
from bronzeward.errors import InputError
from bronzeward.materials import literature
from bronzeward.materials.phases import PHASES
from bronzeward.thermo import describe, description, load_table
from thermo_systems import HEAD, compound, solution, table, written

LIQUID = solution("LIQUID", "0", "0")
NAMES = description.names()


def test_constituents_without_a_phase_are_named_in_one_line(tmp_path, capsys):
    """Found by fuzzing: pycalphad prints into what a command gives to other tools."""
    with pytest.raises(InputError, match=r"own\.tdb: not a TDB file .*\(Undefined phase OTHER\)"):
        describe(written(tmp_path, LIQUID, "CONSTITUENT OTHER :CU,SN: !\n"))
    assert capsys.readouterr().out == ""


def test_both_descriptions_are_there():
    assert NAMES == ["cu-sn-nist1999-alpha", "cu-sn-shim1996"]


@pytest.mark.parametrize("name", NAMES)
def test_sidecar(name):
    """Checksum, title, licence note, sources in the bibliography, a label for every phase."""
    path = description.folder() / f"{name}.tdb"
    entry = files.read_toml(path.with_suffix(".toml"))
    assert entry["sha256"] == hashlib.sha256(path.read_bytes()).hexdigest()
    assert entry["title"]
    assert "BSD-3-Clause" in entry["licence"]
    assert set(entry["sources"]) <= set(literature.bibliography())
    assert set(entry["phases"].values()) == {*PHASES, "eta_prime"}


@pytest.mark.parametrize("name", NAMES)
def test_every_entry_has_its_source_beside_it(name):
    """The line above each function and parameter names a source of the sidecar, and all are used."""
    path = description.folder() / f"{name}.tdb"
    lines = path.read_text().splitlines()
    sources = files.read_toml(path.with_suffix(".toml"))["sources"]
    used = set()
    for before, line in pairwise(lines):
        if line.startswith(("FUNCTION", "PARAMETER")):
            named = [key for key in sources if key in before]
            assert before.startswith("$"), line
            assert named, line
            used.update(named)
    assert used == set(sources)
    assert max(len(line) for line in lines) <= 100


def test_the_two_alpha_sets_are_not_mixed():
    """Each description's alpha cites one assessment only."""
    for name, cited, not_cited in (
        ("cu-sn-shim1996", "shim1996", "ngai1981"),
        ("cu-sn-nist1999-alpha", "nist1999", "shim1996"),
    ):
        text = (description.folder() / f"{name}.tdb").read_text()
        alpha = re.search(r"PHASE FCC_A1.*?(?=\$ ----)", text, re.S)
        assert cited in alpha.group()
        assert not_cited not in alpha.group()


def test_tables_carry_their_origin():
    diagram = table()
    assert diagram.description == "cu-sn-shim1996"
    assert diagram.references == ["shim1996", "dinsdale1991", "nist1999"]
    assert diagram.tdb_sha256 == description.find().sha256
    assert diagram.warnings == []


def test_report_of_a_bundled_description():
    report = describe()
    assert report.missing == []
    assert report.extra == []
    assert report.left_out == []
    assert report.phases["DO3"] == "gamma"


def test_report_of_an_own_description(tmp_path):
    """What is missing, what is extra, and what cannot be used."""
    ions = (
        "SPECIES CU+1 CU/+1 !\nSPECIES SN-1 SN/-1 !\nPHASE SALT % 2 1 1 !\n"
        "CONSTITUENT SALT :CU+1:SN-1: !\nPARAMETER G(SALT,CU+1:SN-1;0) 1 0; 6000 N !"
    )
    path = written(
        tmp_path, LIQUID, solution("FCC_A1", "-10000+10*T", "-4000+8*T"), compound("CU4SN", 0.8, 0.2, "-1000"), ions
    )
    report = describe(path)
    assert report.phases == {"CU4SN": "cu4sn", "FCC_A1": "alpha", "LIQUID": "liquid"}
    assert "epsilon" in report.missing
    assert report.extra == ["CU4SN"]
    assert report.left_out == ["phase SALT left out: charged species"]
    assert any("missing" in line for line in report.sentences())
    diagram = load_table(path, cache=False)
    assert diagram.warnings == ["phase SALT left out: charged species"]
    assert diagram.phases[: len(PHASES)] == PHASES


def test_own_labels_by_sidecar(tmp_path):
    """A TOML file beside the TDB file names its phases, title and sources."""
    path = written(tmp_path, LIQUID, solution("MY_FCC", "-10000+10*T", "-4000+8*T"))
    path.with_suffix(".toml").write_text('title = "own"\nsources = ["shim1996"]\n[phases]\nMY_FCC = "alpha"\n')
    diagram = load_table(path, cache=False)
    assert diagram.title == "own"
    assert diagram.references == ["shim1996"]
    assert {field.copper_side for field in diagram.fields} == {"alpha"}


def test_two_phases_with_one_label(tmp_path):
    """The second keeps its own name, so that nothing is overwritten."""
    path = written(
        tmp_path, LIQUID, solution("FCC_A1", "-10000+10*T", "-4000+8*T"), solution("FCC", "-9000+10*T", "-3000+8*T")
    )
    assert sorted(describe(path).phases.values()) == ["alpha", "fcc_a1", "liquid"]


def test_order_and_other_elements_do_no_harm(tmp_path):
    """A file with a third element: phases of copper and tin are used, the others are no matter."""
    head = HEAD + "ELEMENT NB BCC_A2 92.906 0 0 !\n"
    other = "PHASE NB3SN % 2 3 1 !\nCONSTITUENT NB3SN :NB:SN: !\nPARAMETER G(NB3SN,NB:SN;0) 1 -1; 6000 N !"
    path = written(tmp_path, LIQUID, other, head=head)
    assert list(describe(path).phases) == ["LIQUID"]


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("ELEMENT VA VACUUM 0 0 0 !\nELEMENT CU FCC_A1 63 0 0 !", "no tin"),
        ("ELEMENT VA VACUUM 0 0 0 !\nELEMENT SN BCT_A5 118 0 0 !", "no copper"),
        ("ELEMENT VA VACUUM 0 0 0 !\nELEMENT AL FCC_A1 27 0 0 !", "no copper and no tin"),
        ("", "no element in it"),
        (HEAD.replace("\n", " "), "line of its own"),
        ("not a database at all", "own.tdb"),
        (HEAD, "no phase of copper and tin"),
        ("\x00\x01\x02 !!!", "own.tdb"),
    ],
)
def test_a_file_that_cannot_be_used(tmp_path, text, word):
    """One clear line that names the file."""
    path = tmp_path / "own.tdb"
    path.write_text(text)
    for ask in (describe, lambda p: load_table(p, cache=False)):
        with pytest.raises(InputError, match=word) as caught:
            ask(path)
        assert "own.tdb" in str(caught.value)
        assert "\n" not in str(caught.value)


def test_unknown_names():
    with pytest.raises(InputError, match="expected one of cu-sn-nist1999-alpha, cu-sn-shim1996"):
        load_table("cu-sn")
    with pytest.raises(InputError, match="no thermodynamic description"):
        describe("/nowhere/own.tdb")


def test_changed_bundled_file_is_noticed(tmp_path):
    """A TDB file that differs from the checksum beside it is refused."""
    for suffix in (".tdb", ".toml"):
        source = description.folder() / f"cu-sn-shim1996{suffix}"
        (tmp_path / source.name).write_bytes(source.read_bytes())
    path = tmp_path / "cu-sn-shim1996.tdb"
    path.write_text(path.read_text().replace("-9002.8", "-9002.9"))
    with pytest.raises(InputError, match="sha256"):
        load_table(path, cache=False)


def test_no_pycalphad_warnings_reach_the_user(tmp_path, recwarn):
    describe(written(tmp_path, LIQUID))
    assert [str(warning.message) for warning in recwarn] == []


def test_random_changes_of_the_description_are_followed(tmp_path):
    """Interactions of the assessment changed at random by 2 or 10 %: every diagram hangs together.

    Each has its melting points, balances tin everywhere, and was solved without a doubt.
    """
    text = description.find().path.read_text()
    for seed in range(6):
        random = np.random.default_rng(seed)
        scale = (0.02, 0.1)[seed % 2]

        def changed(match, random=random, scale=scale):
            return f"{float(match.group()) * (1 + scale * random.uniform(-1, 1)):.6f}"

        lines = [
            re.sub(r"(?<=[ +-])\d{3,}\.\d+(?=[-+*])", changed, line) if " L(" in line else line
            for line in text.splitlines()
        ]
        path = tmp_path / f"own{seed}.tdb"
        path.write_text("\n".join(lines))
        diagram = load_table(path, cache=False)
        assert diagram.warnings == []
        assert {"liquid -> (Sn)", "liquid -> alpha"} <= {r.reaction for r in diagram.invariants}
        t, x = np.meshgrid(np.linspace(*diagram.limits, 60), np.linspace(0, 1, 41))
        fraction, tin = diagram.amounts(t, x)
        np.testing.assert_allclose(np.nansum(fraction * tin, axis=-1), x, atol=1e-9)
