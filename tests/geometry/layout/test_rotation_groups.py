import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from pipeline.errors import InputError
from pipeline.geometry.layout.rotation_groups import into_fundamental_domain, rotation_group, special_orbits

GROUPS = ["icosahedral", "octahedral", "tetrahedral", "dihedral-2", "dihedral-5", "dihedral-12", "none"]

# Orders and conjugacy classes of the polyhedral groups: common textbook knowledge [memory], and counted
# again below against a reference library.
ORDERS = {"icosahedral": 60, "octahedral": 24, "tetrahedral": 12, "none": 1}
ORDERS |= {"dihedral-2": 4, "dihedral-5": 10, "dihedral-12": 24}
LIBRARY_NAMES = {"icosahedral": "I", "octahedral": "O", "tetrahedral": "T", "none": "C1"}
LIBRARY_NAMES |= {"dihedral-2": "D2", "dihedral-5": "D5", "dihedral-12": "D12"}


@pytest.mark.parametrize("symmetry", GROUPS)
def test_is_a_group_of_rotations(symmetry):
    group = rotation_group(symmetry)
    assert group.shape == (ORDERS[symmetry], 3, 3)
    assert np.array_equal(group[0], np.eye(3))
    assert np.allclose(group @ group.transpose(0, 2, 1), np.eye(3), atol=1e-14)
    assert np.allclose(np.linalg.det(group), 1.0, atol=1e-14)
    products = np.einsum("gab,hbc->ghac", group, group).reshape(-1, 1, 9)
    distance = np.abs(products - group.reshape(1, -1, 9)).max(axis=2).min(axis=1)
    assert distance.max() < 1e-13


@pytest.mark.parametrize("symmetry", GROUPS)
def test_rotation_angles_agree_with_the_reference_library(symmetry):
    ours = np.sort(Rotation.from_matrix(rotation_group(symmetry)).magnitude())
    library = np.sort(Rotation.create_group(LIBRARY_NAMES[symmetry]).magnitude())
    assert np.allclose(ours, library, atol=1e-7)


def test_octahedral_matrices_are_the_reference_library_s():
    library = Rotation.create_group("O", axis="Z").as_matrix().round()
    as_set = lambda matrices: {tuple(m.ravel().astype(int)) for m in matrices}  # noqa: E731
    assert as_set(rotation_group("octahedral")) == as_set(library)


# Angles between neighbouring vertices, seen from the centre, of the icosahedron (arctan 2), dodecahedron
# (arcsin 2/3), icosidodecahedron (36 deg), octahedron (90 deg), cube (arccos 1/3), cuboctahedron (60 deg):
# elementary geometry of those solids [computed].
NEIGHBOURS = {
    ("icosahedral", 12): np.arctan(2),
    ("icosahedral", 20): np.arcsin(2 / 3),
    ("icosahedral", 30): np.pi / 5,
    ("octahedral", 6): np.pi / 2,
    ("octahedral", 8): np.arccos(1 / 3),
    ("octahedral", 12): np.pi / 3,
}


def test_special_orbits_have_the_sizes_of_the_solids():
    sizes = {symmetry: [len(orbit) for orbit in special_orbits(symmetry)] for symmetry in GROUPS}
    assert sizes["icosahedral"] == [12, 20, 30]
    assert sizes["octahedral"] == [6, 8, 12]
    assert sizes["tetrahedral"] == [4, 4, 6]
    assert sizes["dihedral-2"] == [2, 2, 2]
    assert sizes["dihedral-5"] == [2, 5, 5]
    assert sizes["dihedral-12"] == [2, 12, 12]
    assert sizes["none"] == []


@pytest.mark.parametrize("symmetry", GROUPS)
def test_special_orbits_are_orbits_and_no_two_meet(symmetry):
    orbits = special_orbits(symmetry)
    for orbit in orbits:
        images = np.einsum("gab,kb->gka", rotation_group(symmetry), orbit).reshape(-1, 1, 3)
        assert np.linalg.norm(images - orbit, axis=2).min(axis=1).max() < 1e-12
    points = np.concatenate([np.empty((0, 3)), *orbits])
    assert len(points) == 0 or (points @ points.T - 2 * np.eye(len(points))).max() < 0.99


@pytest.mark.parametrize("symmetry", GROUPS)
def test_sizes_and_stabilisers_obey_the_class_equation(symmetry):
    # Each rotation but the identity has two poles: sum over the special orbits of size (order / size - 1) is
    # 2 (order - 1) (Coxeter, Regular Polytopes, section 3.8) [memory].
    order = ORDERS[symmetry]
    assert sum(order - len(orbit) for orbit in special_orbits(symmetry)) == 2 * (order - 1)


@pytest.mark.parametrize(("symmetry", "size"), NEIGHBOURS)
def test_special_orbits_are_the_solids_vertices(symmetry, size):
    orbit = next(orbit for orbit in special_orbits(symmetry) if len(orbit) == size)
    assert orbit.shape == (size, 3)
    assert np.allclose(np.linalg.norm(orbit, axis=1), 1.0, atol=1e-14)
    cosines = orbit @ orbit.T - 3 * np.eye(size)
    assert np.allclose(cosines.max(axis=1), np.cos(NEIGHBOURS[symmetry, size]), atol=1e-13)
    # every orbit of these two groups holds the opposite of each of its points
    assert np.allclose(cosines.min(axis=1)[cosines.min(axis=1) > -1.5], -1.0, atol=1e-13)


@pytest.mark.parametrize("symmetry", ["icosahedral", "octahedral"])
def test_pole_is_on_an_axis_of_highest_order(symmetry):
    smallest = special_orbits(symmetry)[0]
    assert np.allclose(np.max(smallest[:, 2]), 1.0, atol=1e-14)


@pytest.mark.parametrize("symmetry", GROUPS)
def test_all_images_of_a_point_share_their_member_of_the_fundamental_domain(symmetry):
    group = rotation_group(symmetry)
    point = np.array([0.6, -0.48, 0.64])
    images = into_fundamental_domain(group, group @ point)
    assert np.allclose(images, images[0], atol=1e-13)
    assert np.abs(group @ point - images[0]).max(axis=1).min() < 1e-13


def test_groups_are_shared_and_cannot_be_changed():
    with pytest.raises(ValueError, match="read-only"):
        rotation_group("octahedral")[0, 0, 0] = 2.0
    with pytest.raises(ValueError, match="read-only"):
        special_orbits("octahedral")[0][0, 0] = 2.0


def test_unknown_symmetry_names_the_nearest():
    with pytest.raises(InputError, match="did you mean icosahedral"):
        rotation_group("icosahedron")
    with pytest.raises(
        InputError, match=r"one of icosahedral, octahedral, tetrahedral, dihedral-2, .*, none$"
    ):
        rotation_group("xyz")
