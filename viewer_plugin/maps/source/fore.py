"""The forelimb of dog and cat: scapula to elbow; carpus and paw are drawn by hand (paw.json)."""

import json
from pathlib import Path
from typing import Any

from viewer_plugin.maps.source.pen import (
    Sheet,
    band,
    blob,
    joined_skin,
    oval,
    tube,
)

PAW: dict[str, Any] = json.loads(Path(__file__).with_name("paw.json").read_text("utf-8"))
_CARPUS = [44, 0, 227, 214]
_MANUS = [44, 0, 227, 482]


def fore(species: str) -> Sheet:
    """Draw the right forelimb from in front."""
    sheet = Sheet(
        (species,),
        f"{species}_fore",
        "Right forelimb from in front, proximal at the top, medial at the right. A schema, not to "
        "scale: long bones are shortened, sesamoids enlarged. Mirrored for the left limb; the side "
        "view of the carpus keeps dorsal at the left.",
    )
    sheet.shapes.update(json.loads(json.dumps(PAW["shapes"])))
    sheet.profile = PAW["profile"]
    sheet.windows.update(carpus=_CARPUS, manus=_MANUS)
    antebrachium(sheet)
    elbow(sheet, species)
    humerus(sheet)
    shoulder(sheet, species)
    if species == "cat":
        cat_carpus(sheet)
    lower = PAW["outline"].removeprefix("M94 4").removesuffix("Z")
    left = [
        (112.0, -640.0),
        (96, -560),
        (88, -460),
        (92, -380),
        (96, -300),
        (90, -240),
        (86, -180),
        (88, -90),
        (94, 4),
    ]
    right = [
        (200.0, 4.0),
        (206, -90),
        (214, -180),
        (212, -240),
        (204, -300),
        (208, -380),
        (214, -460),
        (204, -560),
        (190, -640),
    ]
    sheet.outline = joined_skin(left, lower, right)
    return sheet


def cat_carpus(sheet: Sheet) -> None:
    """What the cat's carpus has beside the dog's."""
    sheet.put("over", palmar_carpal_sesamoids=oval(148, 169, 3.4, 4.6) + oval(160, 186, 3, 3.8))
    line = band((262, 84), (260, 100), (259, 112), half=2)
    sheet.shapes["palmar_ligaments"] = {"layer": "soft", "d": line, "frame": "profile", "turn": 90}


def antebrachium(sheet: Sheet) -> None:
    """Radius, ulna crossing behind it from medial to lateral."""
    radius = [
        (138.0, -152.0, 14.0),
        (140, -110, 13),
        (146, -60, 15),
        (153, -30, 18),
        (160, 4, 20.6),
    ]
    ulna = [(174.0, -150.0, 11.0), (160, -120, 9), (126, -64, 8.6), (114.6, 4, 12)]
    sheet.put(
        "bone",
        ulna_proximal=tube((176, -206, 13), (176, -180, 13), (174, -154, 11)),
        ulna_shaft=tube(*ulna),
        radial_head=blob(
            (120, -186), (136, -190), (154, -186), (153, -170), (137, -164), (122, -170)
        ),
    )
    sheet.shaft(
        radius,
        medulla="radius_medulla",
        facing="radius_cranial_caudal",
        sides="radius_medial_lateral",
    )
    sheet.put("bone", radius_proximal=tube((137, -166, 14), (138, -150, 13), (139, -128, 13)))
    lines = {
        "humeroradial": band((118, -194), (136, -196), (153, -194)),
        "humeroulnar": band((155, -195), (172, -194), (190, -200)),
        "physis_radius_proximal": band((122, -172), (137, -168), (153, -172), half=1.6),
        "physis_ulna_proximal": band((166, -250), (176, -253), (187, -250), half=1.6),
    }
    sheet.put("line", **lines)
    between = band((152, -130), (138, -80), (130, -30), half=2.2)
    sheet.put("line", interosseous_borders=between)
    sheet.put("soft", interosseous_space=band((127, -52), (129, -20), (131, 20), half=2.6))
    sheet.put(
        "over",
        olecranon=blob(
            (165, -262),
            (178, -266),
            (189, -260),
            (190, -236),
            (186, -212),
            (168, -212),
            (164, -238),
        ),
    )
    sheet.common(
        "antebrachium", [62, -272, 180, 400], [(148, -262), (150, -80), (158, 118)], (96, 204)
    )
    profile = {"soft_cranial": 222.0, "soft_caudal": 234.0}
    for name, x in profile.items():
        sheet.put("soft", **{f"antebrachium__{name}": band((x, -180), (x, -60), half=3)})
    sheet.put("axis", antebrachium__sagittal_axis=band((228, -200), (228, -40), half=2))
    sheet.put("axis", rotation=oval(150, -70, 26, 6), lengths=band((84, -258), (84, 110), half=2))


def elbow(sheet: Sheet, species: str) -> None:
    """The condyle of the humerus with what sits on it, the notch and the coronoids."""
    sheet.put(
        "bone",
        humerus_distal=tube((150, -310, 20), (150, -280, 22), (150, -256, 32), (150, -236, 36)),
        trochlea=blob(
            (148, -230),
            (168, -232),
            (190, -228),
            (192, -210),
            (176, -200),
            (156, -204),
            (147, -216),
        ),
        capitulum=blob(
            (116, -228),
            (132, -231),
            (146, -229),
            (146, -214),
            (140, -202),
            (122, -201),
            (114, -212),
        ),
        medial_epicondyle=blob((184, -262), (196, -254), (198, -236), (190, -230), (182, -240)),
        lateral_epicondyle=blob((116, -258), (107, -250), (104, -236), (112, -230), (119, -242)),
    )
    sheet.put(
        "over",
        anconeal_process=oval(164, -240, 8, 6),
        trochlear_notch=band((158, -212), (172, -207), (188, -213), half=2.6),
        medial_coronoid=blob((184, -199), (195, -201), (198, -191), (190, -183), (182, -188)),
        lateral_coronoid=blob((152, -186), (159, -190), (165, -184), (160, -177), (153, -179)),
        intracondylar=band((147, -232), (147, -204), half=3.4),
        supinator_sesamoid=oval(112, -186, 4, 5.2),
    )
    if species == "dog":
        sheet.put("over", supratrochlear_foramen=oval(150, -250, 7, 5.4))
        sheet.put("line", physis_anconeal=band((160, -230), (172, -230), half=1.6))
    else:
        sheet.put("over", supracondylar_foramen=oval(174, -268, 3.6, 8, 18))
        sheet.put("soft", interosseous_proximal=band((152, -164), (154, -142), half=2.4))
    sheet.put(
        "line",
        proximal_radioulnar=band((157, -190), (158, -172), half=1.8),
        physis_humerus_distal=band((114, -236), (132, -241), (168, -241), (188, -236), half=1.6),
        physis_humerus_condyle=band((147, -230), (148, -206), half=1.5),
        physis_medial_epicondyle=band((183, -262), (182, -236), half=1.5),
    )
    sheet.put("soft", fat_pad_cranial=oval(140, -262, 5, 8), fat_pad_caudal=oval(158, -272, 6, 9))
    sheet.put(
        "soft",
        triceps_insertion=band((176, -300), (177, -270), half=3.4),
        flexor_origin=band((203, -246), (206, -206), half=3.2),
    )
    sheet.put("soft", elbow__soft_caudal=band((226, -250), (226, -190), half=3))
    sheet.put(
        "axis",
        radioulnar_step=band((150, -181), (182, -181), half=2),
        humeroulnar_congruity=band((150, -199), (196, -203), half=1.6),
    )
    sheet.put("axis", elbow__sagittal_position=band((234, -250), (234, -190), half=2))
    axis = [(150.0, -310.0), (150, -210), (148, -122)]
    sheet.common("elbow", [66, -322, 180, 206], axis, (92, 214))
    sheet.shapes["elbow.frontal_position"] = sheet.shapes.pop("elbow.frontal_axis")


def humerus(sheet: Sheet) -> None:
    """Shaft and proximal end."""
    line = [(150.0, -404.0, 24.0), (149, -370, 19), (148, -340, 18), (150, -306, 19)]
    sheet.shaft(
        line,
        medulla="humerus__medulla",
        facing="humerus__shaft_cranial_caudal",
        sides="humerus__shaft_medial_lateral",
    )
    sheet.put("bone", humerus_proximal=tube((150, -426, 31), (150, -414, 29), (150, -402, 25)))
    sheet.put(
        "over",
        humeral_head=blob(
            (124, -436), (150, -448), (178, -438), (176, -424), (150, -416), (126, -424)
        ),
        humeral_head_caudal=band((134, -428), (150, -422), (168, -428), half=3),
        greater_tubercle=blob((112, -446), (124, -450), (128, -430), (124, -404), (114, -412)),
        lesser_tubercle=blob((178, -440), (188, -436), (188, -418), (178, -412)),
        intertubercular_groove=band((168, -440), (169, -412), half=3),
        deltoid_tuberosity=blob((130, -374), (124, -362), (126, -344), (132, -338), (134, -358)),
    )
    sheet.put(
        "line",
        scapulohumeral=band((120, -452), (150, -458), (180, -452)),
        elbow_joint=band((114, -196), (150, -198), (192, -199)),
    )
    sheet.put("line", physis_humerus_proximal=band((116, -410), (150, -406), (186, -411), half=1.6))
    sheet.put(
        "soft",
        brachialis_plane=band((126, -330), (120, -280), half=3),
        triceps_plane=band((178, -390), (182, -320), half=3.4),
    )
    sheet.common(
        "humerus", [62, -464, 180, 274], [(150, -450), (149, -340), (150, -200)], (94, 210)
    )
    sheet.put("axis", humerus__sagittal_axis=band((228, -440), (228, -220), half=2))


def shoulder(sheet: Sheet, species: str) -> None:
    """The scapula edge on, with its spine lateral."""
    sheet.put(
        "bone",
        scapula=blob(
            (130, -630),
            (150, -642),
            (170, -630),
            (172, -570),
            (167, -510),
            (170, -484),
            (150, -478),
            (132, -484),
            (136, -510),
            (132, -570),
        ),
    )
    sheet.put(
        "over",
        scapular_spine=blob(
            (130, -622), (112, -560), (108, -500), (118, -490), (128, -540), (136, -610)
        ),
        acromion=blob((104, -500), (116, -502), (118, -480), (110, -472), (102, -482)),
        glenoid=blob((124, -470), (150, -478), (178, -470), (176, -462), (150, -467), (126, -462)),
        glenoid_caudal=band((138, -474), (164, -474), half=2.4),
        supraglenoid=blob((168, -492), (180, -486), (184, -472), (174, -470), (166, -480)),
        clavicle=band((196, -470), (206, -462), half=2.6),
    )
    if species == "cat":
        sheet.put("over", coracoid=band((184, -486), (194, -478), half=3.2))
    sheet.put("line", physis_supraglenoid=band((167, -494), (180, -478), half=1.6))
    sheet.put(
        "soft",
        biceps_tendon=band((180, -462), (172, -430), (168, -392), half=2.6),
        supraspinatus=band((130, -600), (132, -520), half=3.4),
        infraspinatus=band((104, -560), (100, -500), half=3.4),
        caudal_pouch=oval(186, -452, 5, 8),
        axilla=band((196, -540), (204, -470), half=4),
        soft_muscles=band((92, -560), (92, -420), half=4),
    )
    sheet.common(
        "shoulder", [62, -650, 180, 276], [(151, -640), (151, -500), (150, -384)], (84, 214)
    )
    sheet.shapes["shoulder.frontal_position"] = sheet.shapes.pop("shoulder.frontal_axis")
    sheet.put("axis", shoulder__sagittal_position=band((228, -520), (228, -400), half=2))
