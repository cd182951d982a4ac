"""Sieve tables against the ones `fluids` ships (ISO 3310-1, ASTM E11)."""

import fluids.particle_size_distribution as fluids_psd
import pytest

from millsim import sieves


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
