"""Sieve tables against the ones `fluids` ships (ISO 3310-1, ASTM E11)."""

import pytest
from lazily import later

from millsim.base.reading import sieves

fluids_psd = later("fluids.particle_size_distribution")


@pytest.mark.parametrize(
    ("ours", "theirs", "count"),
    [
        (sieves.ISO_R20_3_MM, fluids_psd.ISO_3310_1_R20_3, 24),
        (sieves.ISO_R20_MM, fluids_psd.ISO_3310_1_R20, 72),
        (sieves.ISO_R40_3_MM, fluids_psd.ISO_3310_1_R40_3, 48),
    ],
)
def test_iso_tables(ours, theirs, count):
    assert len(ours) == count
    assert list(ours) == pytest.approx([s.opening * 1e3 for s in theirs], rel=1e-12)


def test_astm_mesh_numbers():
    theirs = {
        s.old_designation.removeprefix("No. "): s.opening
        for s in fluids_psd.ASTM_E11_sieves.values()
        if s.old_designation.startswith("No. ")
    }
    assert set(sieves.ASTM_E11_MESH_MM) == set(theirs)
    for mesh, opening in theirs.items():
        assert sieves.mesh_to_m(mesh) == pytest.approx(opening, rel=1e-12)


@pytest.mark.parametrize("text", ["35", 35, "No. 35", "no.35", "#35", " 35 mesh", "mesh 35"])
def test_ways_of_writing_a_mesh(text):
    assert sieves.mesh_to_m(text) == 0.0005


def test_unknown_mesh_names_its_neighbours():
    assert sieves.mesh_to_m("3.5") == sieves.mesh_to_m("3 1/2") == 0.0056
    with pytest.raises(KeyError, match="nearest: 35 and 40"):
        sieves.mesh_to_m("36")
    with pytest.raises(KeyError, match="'fine'"):
        sieves.mesh_to_m("fine")


def test_next_coarser():
    assert sieves.next_coarser_m(2e-3) == 2.8e-3
    assert sieves.next_coarser_m(1.9e-3) == 2.0e-3
    assert sieves.next_coarser_m(0.2) == 0.4


@pytest.mark.parametrize(
    ("cell", "unit", "expected"),
    [
        ("0.5", "mm", 5e-4),
        ("0,5", "mm", 5e-4),
        ("500 µm", "mm", 5e-4),
        (">500 um", "mm", 5e-4),
        ("sieve 0.5 mm", "um", 5e-4),
        ("mesh 35", "mm", 5e-4),
        ("35", "mesh", 5e-4),
        ("1/2 in", "mm", 0.0127),
        ('1 1/2"', "mm", 0.0381),
        ("5e2", "um", 5e-4),
        ("0.09", "mm", 9e-5),
    ],
)
def test_ways_of_writing_an_aperture(cell, unit, expected):
    assert sieves.aperture_m(cell, unit) == expected


@pytest.mark.parametrize("cell", ["", "x", "1 furlong", "1/0 in", "pan", "1.2.3"])
def test_what_is_no_aperture(cell):
    with pytest.raises(ValueError):  # noqa: PT011
        sieves.aperture_m(cell, "mm")


def test_units_in_doubt():
    assert "25 um, finer than can be sieved dry" in sieves.unit_doubt(["35", "500"], "mesh")
    assert "ASTM E11 has no mesh 710" in sieves.unit_doubt(["710", "500"], "mesh")
    assert "mesh number (0.5 mm)" in sieves.unit_doubt(["35", "500"], "um")
    assert "are these um?" in sieves.unit_doubt(["500", "250"], "mm")
    assert "are these mm?" in sieves.unit_doubt(["2", "1.4"], "um")
    for cells, unit in ((["1000", "710", "63"], "um"), (["2", "0.063"], "mm"), (["18", "35", "400"], "mesh")):
        assert sieves.unit_doubt(cells, unit) == ""
    every = [f"{x:g}" for x in (*sieves.ISO_R20_MM, *sieves.ISO_R40_3_MM)]
    assert sieves.unit_doubt(every, "mm") == ""


def test_most_residue_follows_the_guide_volumes():
    # ISO 2591-1, largest residue on a 200 mm sieve, cm3 (from memory): within a quarter.
    for aperture_mm, volume_cm3 in {4: 175, 2: 100, 1: 70, 0.5: 50, 0.25: 35, 0.125: 25, 0.063: 17}.items():
        most = sieves.most_residue_g(aperture_mm * 1e-3) / (sieves.LOOSE_DENSITY_KG_M3 / 1e3)
        assert most == pytest.approx(volume_cm3, rel=0.25)
    assert sieves.most_residue_g(1e-3, 0.1) == pytest.approx(sieves.most_residue_g(1e-3) / 4)
