"""What each projection can show of the horse's limbs.

Outside facts: the minimum sets of views and the matrix of what each shows (W well, P partly, N
not), worked out from the geometry of the projections; beam and profile of 45 degree obliques:
D45L-PaMO shows the dorsomedial and palmarolateral border, D45M-PaLO the other two.
"""

import pytest

from dicom_service.anatomy import Structure, atlas

LETTERS = {"well": "W", "partly": "P", "no": "N"}

MINIMUM = {
    "shoulder": ("ML",),
    "elbow_humerus": ("ML", "LM", "CrCd", "Cr45L-CdMO", "Cr45M-CdLO"),
    "carpus": ("LM", "DPa", "D60L-PaMO", "D55L-PaMO", "D75M-PaLO", "flexed LM"),
    "metacarpus": ("LM", "DPa", "D45L-PaMO", "D45M-PaLO"),
    "fetlock": ("LM", "D20Pr-PaDiO", "DPa", "D45L-PaMO", "D45M-PaLO"),
    "pastern_foot": ("LM", "D0-PaO", "DPa", "D60Pr-PaDiO", "D65Pr-PaDiO", "Pa45Pr-PaDiO"),
    "hip_femur": ("VD",),
    "stifle": ("LM", "CdCr", "Cd60L-CrMO"),
    "crus": ("LM", "CdCr", "CrCd", "Cr45L-CdMO", "Cr45M-CdLO"),
    "tarsus": ("LM", "D10L-PlMO", "DPl", "D45L-PlMO", "Pl45L-DMO"),
    "metatarsus_hindfoot": (
        "LM",
        "DPl",
        "D20Pr-PlDiO",
        "D45L-PlMO",
        "D45M-PlLO",
        "Pl45L-DMO",
        "D60Pr-PlDiO",
    ),
}
OPTIONAL = {
    "shoulder": ("CrM-CdLO", "CrPr-CrDiO"),
    "metacarpus": ("D60L-PaMO", "D20Pr-PaDiO"),
    "carpus": ("D85Pr-DDiO", "D55Pr-DDiO", "D35Pr-DDiO", "D45L-PaMO", "D45M-PaLO"),
    "fetlock": ("flexed LM", "D125Di-PaPrO"),
    "pastern_foot": ("D45L-PaMO", "D45M-PaLO", "weight-bearing LM", "weight-bearing DPa"),
    "hip_femur": ("ML", "CrCd"),
    "stifle": ("flexed LM", "CrPr-CrDiO"),
    "tarsus": ("flexed LM", "flexed PlPr-PlDiO"),
    "metatarsus_hindfoot": ("flexed LM",),
}

# Region: columns, then structure -> letters in that order.
MATRIX: dict[str, tuple[tuple[str, ...], dict[str, str]]] = {
    "pastern_foot": (
        ("LM", "D0-PaO", "D60Pr-PaDiO", "Pa45Pr-PaDiO", "D45L-PaMO", "D45M-PaLO"),
        {
            "p3_rotation": "WNNNNN",
            "sole": "WPNNNN",
            "palmar_angle": "WNNNNN",
            "mediolateral_balance": "NWPNNN",
            "navicular_distal_border": "PPWPNN",
            "navicular_flexor_cortex": "PNNWNN",
            "navicular_proximal_border": "PPWPPP",
            "p3_extensor_process": "WPPNPP",
            "p3_palmar_process_medial": "PPWPWW",
            "p3_palmar_process_lateral": "PPWPWW",
            "p3_solar_margin": "PPWNPP",
            "ungual_cartilage_medial": "WWWNPP",
        },
    ),
    "fetlock": (
        ("LM", "DPa", "D45L-PaMO", "D45M-PaLO", "flexed LM"),
        {
            "mc3_sagittal_ridge": "WPPPW",
            "p1_dorsal_medial": "PNWNP",
            "p1_dorsal_lateral": "PNNWP",
            "sesamoid_lateral": "PPWPP",
            "sesamoid_medial": "PPPWP",
            "mc3_condyle_medial": "NWPPN",
            "mc3_condyle_lateral": "NWPPN",
            "mcp_3": "PWPPN",
            "mc3_condyles_palmar": "PPPPP",
        },
    ),
    "carpus": (
        ("LM", "DPa", "D60L-PaMO", "D75M-PaLO", "flexed LM"),
        {
            "radial_carpal_dorsal": "PPWNW",
            "intermediate_carpal_dorsal": "PPNWW",
            "c3_radial_facet": "PNWNP",
            "accessory_carpal": "WPWPW",
            "radius_distal_margin": "PPWWW",
            "c2": "NPPWN",
            "c4": "NPWPN",
            "ulnar_carpal": "NPWPP",
            "mc2_proximal": "NPNWN",
            "mc4_proximal": "NPWNN",
        },
    ),
    "metacarpus": (
        ("LM", "DPa", "D45L-PaMO", "D45M-PaLO"),
        {
            "mc2": "PPNW",
            "mc4": "PPWN",
            "mc3_dorsal_cortex": "WNPP",
            "mc3_dorsomedial_cortex": "NNWN",
            "mc3_dorsolateral_cortex": "NNNW",
            "mc3_palmar_cortex": "WPPP",
            "splint_ends": "NPWW",
        },
    ),
    "tarsus": (
        ("LM", "DPl", "D45L-PlMO", "D45M-PlLO", "flexed LM"),
        {
            "intermediate_ridge": "PPPWW",
            "talus_ridge_lateral": "WPPWP",
            "medial_malleolus": "NWWPN",
            "centrodistal": "WWWWN",
            "tarsometatarsal": "WWWWN",
            "dorsomedial_border": "PPWNN",
            "t4": "NPWNN",
            "mt4_proximal": "NPWNN",
            "sustentaculum": "PPNWN",
            "tuber_calcanei": "WPWPW",
            "talus_ridge_medial": "PPWPP",
            "dorsolateral_border": "PPNWN",
            "mt2_proximal": "NPNWN",
            "t1_t2": "NPNWN",
        },
    ),
    "stifle": (
        ("LM", "CdCr", "Cd60L-CrMO", "CrPr-CrDiO"),
        {
            "trochlear_ridge_lateral": "WNWP",
            "trochlear_ridge_medial": "WNPP",
            "condyle_medial": "PWWN",
            "patella": "WPPW",
            "tibial_tuberosity": "WPPN",
            "eminences": "PWPN",
            "femorotibial_medial": "NWNN",
            "femorotibial_lateral": "NWNN",
        },
    ),
}


def structures(region: str) -> dict[str, Structure]:
    found = atlas().region("horse", region)
    assert found is not None
    return {structure.id: structure for structure in found.structures}


def kin(label: str) -> list[str]:
    """`label` and the views that it is like, as views.yaml says."""
    found: list[str] = []
    while label and label not in found:
        found.append(label)
        view = atlas().view(label)
        assert view is not None, label
        label = view.like
    return found


@pytest.mark.parametrize("region", MINIMUM)
def test_every_view_of_the_usual_sets_is_stated_for_every_structure(region: str) -> None:
    for label in (*MINIMUM[region], *OPTIONAL.get(region, ())):
        for structure in structures(region).values():
            stated = set(kin(label)) & set(structure.shows.views)
            assert stated, f"{structure.id} says nothing of {label}"


@pytest.mark.parametrize("region", MATRIX)
def test_views_show_what_the_matrix_says(region: str) -> None:
    columns, rows = MATRIX[region]
    known = structures(region)
    for identity, letters in rows.items():
        shown = [LETTERS[atlas().visibility(known[identity], label)] for label in columns]
        assert "".join(shown) == letters, identity


@pytest.mark.parametrize("region", MINIMUM)
def test_every_structure_is_shown_by_some_view_of_the_usual_sets(region: str) -> None:
    labels = (*MINIMUM[region], *OPTIONAL.get(region, ()))
    for structure in structures(region).values():
        shown = {atlas().visibility(structure, label) for label in labels}
        assert shown & {"well", "partly"}, structure.id


@pytest.mark.parametrize(
    ("row", "skyline"),
    [
        ("radius_distal_margin", "D85Pr-DDiO"),
        ("radial_carpal", "D55Pr-DDiO"),
        ("intermediate_carpal", "D55Pr-DDiO"),
        ("c3_radial_facet", "D35Pr-DDiO"),
    ],
)
def test_each_skyline_of_the_carpus_shows_one_row(row: str, skyline: str) -> None:
    structure = structures("carpus")[row]
    for label in ("D85Pr-DDiO", "D55Pr-DDiO", "D35Pr-DDiO"):
        shown = atlas().visibility(structure, label) != "no"
        assert shown == (label == skyline), label


def test_splint_bones_show_on_opposite_obliques_in_front_and_behind() -> None:
    # Profile: D45L palmarolateral or plantarolateral border, D45M palmaromedial or plantaromedial.
    known = atlas()
    for region, row, lateral, medial in (
        ("metacarpus", "mc", "D45L-PaMO", "D45M-PaLO"),
        ("metatarsus_hindfoot", "mt", "D45L-PlMO", "D45M-PlLO"),
    ):
        found = structures(region)
        assert known.visibility(found[f"{row}4"], lateral) == "well"
        assert known.visibility(found[f"{row}4"], medial) == "no"
        assert known.visibility(found[f"{row}2"], medial) == "well"
        assert known.visibility(found[f"{row}2"], lateral) == "no"


def test_the_reverse_beam_shows_the_same_of_the_tarsus() -> None:
    # Pl45L-DMO runs against D45M-PlLO.
    for structure in structures("tarsus").values():
        reverse = atlas().visibility(structure, "Pl45L-DMO")
        assert reverse == atlas().visibility(structure, "D45M-PlLO")
