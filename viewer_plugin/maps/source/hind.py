"""The hind limb of dog and cat: pelvis to tarsus; the paw is the one of the forelimb."""

import json

from viewer_plugin.maps.source.fore import PAW
from viewer_plugin.maps.source.pelvis import femur, hip
from viewer_plugin.maps.source.pen import Sheet, band, blob, block, joined_skin, oval, tube

_RENAMED = (
    ("mc", "mt"),
    ("physis_mc", "physis_mt"),
    ("metacarpal_pad", "metatarsal_pad"),
    ("manus.", "pes."),
    ("pes.soft_palmar", "pes.soft_plantar"),
)
_PAW = (
    "mc",
    "d1_",
    "d2_",
    "d3_",
    "d4_",
    "d5_",
    "sesamoid_",
    "dorsal_",
    "pip_",
    "dip_",
    "ip_",
    "physis_mc",
    "physis_p",
)
_SOFT = (
    "digits_alignment",
    "metacarpal_pad",
    "digital_pads",
    "interdigital_webs",
    "nails",
    "manus.",
)
_WIDE = (62.0, 180.0)


def hind(species: str) -> Sheet:
    """Draw the right hind limb from in front."""
    sheet = Sheet(
        (species,),
        f"{species}_hind",
        "Right hind limb from in front, proximal at the top, medial at the right; the calcaneus is "
        "drawn lateral to the tibia. A schema, not to scale. Mirrored for the left limb.",
    )
    pes(sheet, species)
    tarsus(sheet)
    crus(sheet, species)
    stifle(sheet, species)
    femur(sheet)
    hip(sheet, species)
    lower = PAW["outline"]
    lower = lower[lower.index("C88 200") : lower.index("C213 160")]
    left = [
        (124.0, -694.0),
        (94, -600),
        (84, -500),
        (90, -380),
        (96, -270),
        (96, -160),
        (94, -40),
        (92, 20),
        (90, 120),
        (82, 172),
    ]
    right = [
        (215.0, 178.0),
        (212, 100),
        (214, 20),
        (206, -60),
        (212, -200),
        (222, -280),
        (228, -400),
        (250, -480),
        (282, -540),
        (280, -690),
    ]
    sheet.outline = joined_skin(left, lower, right)
    return sheet


def pes(sheet: Sheet, species: str) -> None:
    """Metatarsus and digits: the names of the hind paw on the shapes of the fore paw."""
    for name, shape in json.loads(json.dumps(PAW["shapes"])).items():
        if (
            not name.startswith(_PAW + _SOFT)
            or shape.get("frame") == "profile"
            or name == "sesamoid_d1"
        ):
            continue
        if species == "cat" and (
            name.startswith(("d1_", "ip_1"))
            or name in ("mcp_1", "physis_p1_1", "physis_mc1_proximal")
        ):
            continue
        new = name
        for old, to in _RENAMED:
            if new.startswith(old):
                new = to + new.removeprefix(old)
        sheet.shapes[new] = shape
    sheet.put(
        "soft",
        pes__soft_dorsal=band((56, 210), (54, 300), half=3),
        pes__soft_plantar=band((248, 210), (252, 300), half=3),
    )
    sheet.windows["pes"] = [44, 168, 227, 314]


def tarsus(sheet: Sheet) -> None:
    """Calcaneus and talus, the central bone, the distal row."""
    sheet.put(
        "bone",
        calcaneus=blob(
            (108, 2),
            (120, -6),
            (132, 0),
            (132, 30),
            (138, 70),
            (146, 92),
            (146, 124),
            (128, 128),
            (108, 124),
            (106, 90),
            (108, 40),
        ),
        talus=blob(
            (150, 70),
            (158, 64),
            (172, 76),
            (186, 62),
            (196, 68),
            (196, 92),
            (188, 108),
            (192, 128),
            (172, 131),
            (154, 126),
            (152, 100),
        ),
        central_tarsal=block(151, 135, 196, 155),
        t4=block(106, 132, 147, 179),
        t3=block(151, 159, 172, 179),
        t2=block(175, 159, 189, 178),
        t1=block(192, 158, 202, 180),
        tibia_distal=tube((166, -40, 17), (168, 0, 20), (170, 30, 27), (171, 50, 29)),
        lateral_malleolus=tube((139, -2, 4), (139, 30, 5), (141, 58, 6), (142, 74, 4)),
        medial_malleolus=blob((193, 34), (202, 40), (205, 60), (202, 76), (196, 70), (192, 52)),
    )
    sheet.put(
        "over",
        tuber_calcanei=blob((107, -2), (120, -8), (133, -2), (132, 14), (120, 18), (108, 14)),
        sustentaculum=blob((144, 92), (156, 94), (160, 104), (152, 110), (144, 106)),
        talus_ridge_lateral=blob((150, 72), (158, 62), (167, 70), (165, 88), (154, 90)),
        talus_ridge_medial=blob((178, 70), (188, 60), (197, 68), (196, 88), (182, 88)),
        tmt_sesamoids=oval(148, 188, 3, 3.6) + oval(171, 190, 3, 3.6),
    )
    lines = {
        "tarsocrural": band((146, 62), (156, 57), (172, 66), (187, 56), (200, 62)),
        "talocalcanean": band((149, 72), (149, 122)),
        "talocalcaneocentral": band((152, 132), (174, 134), (196, 131)),
        "calcaneoquartal": band((108, 129), (146, 129)),
        "centrodistal": band((151, 157), (202, 157)),
        "tarsometatarsal": band((106, 182), (150, 182), (203, 182)),
        "physis_tibia_distal": band((143, 34), (170, 38), (199, 33)),
        "physis_medial_malleolus": band((194, 50), (203, 48)),
        "physis_fibula_distal": band((135, 40), (145, 40)),
        "physis_calcaneus": band((107, 16), (120, 20), (132, 16)),
    }
    sheet.put("line", **lines)
    sheet.put(
        "soft",
        crus__calcanean_tendon=band((120, -200), (119, -80), (120, -12), half=3.4),
        tarsus__calcanean_tendon=band((119, -44), (120, -10), half=4),
        dorsal_pouch=band((158, 46), (172, 54), (186, 46), half=3),
        plantar_pouches=band((136, 60), (148, 50), half=3) + band((200, 84), (204, 96), half=3),
        plantar_ligament=band((104, 60), (102, 130), (104, 176), half=2.6),
        extensor_tendons=band((182, -20), (186, 40), half=2.4),
    )
    sheet.common(
        "tarsus", [_WIDE[0], -46, _WIDE[1], 244], [(166, -40), (170, 60), (152, 190)], (90, 216)
    )
    sheet.put("axis", tarsus__sagittal_axis=band((230, -20), (230, 150), half=2))


def crus(sheet: Sheet, species: str) -> None:
    """Tibia and fibula."""
    line = [(158.0, -206.0, 26.0), (160, -170, 20), (164, -110, 17), (166, -46, 16)]
    sheet.shaft(
        line,
        medulla="crus__medulla",
        facing="crus__shaft_cranial_caudal",
        sides="crus__shaft_medial_lateral",
    )
    sheet.put(
        "bone",
        tibial_plateau=blob(
            (112, -266),
            (134, -270),
            (156, -276),
            (180, -270),
            (200, -266),
            (200, -254),
            (156, -250),
            (112, -254),
        ),
        tibia_condyle_lateral=blob(
            (112, -252), (132, -249), (150, -247), (146, -226), (128, -222), (116, -236)
        ),
        tibia_condyle_medial=blob(
            (156, -247), (180, -249), (200, -252), (196, -234), (182, -220), (162, -222)
        ),
        fibula=tube((120, -226, 4.6), (124, -160, 3.4), (132, -60, 3.4), (138, -6, 4)),
        fibular_head=blob(
            (108, -246), (116, -250), (124, -240), (124, -226), (116, -222), (109, -232)
        ),
    )
    if species == "dog":
        sheet.shapes.update(
            {
                f"crus.{name}": shape
                for name, shape in sheet.shapes.items()
                if name == "tibial_plateau"
            }
        )
    sheet.put(
        "over",
        tibial_tuberosity=blob(
            (146, -246), (156, -250), (165, -244), (166, -222), (157, -204), (149, -220)
        ),
        cranial_border=band((157, -202), (161, -160), (164, -110), half=3),
    )
    lines = {
        "stifle_joint": band((110, -274), (134, -279), (156, -282), (180, -279), (202, -274)),
        "tibiofibular_proximal": band((126, -246), (127, -226)),
        "tibiofibular_distal": band((146, 10), (146, 56), half=1.6),
        "physis_tibia_proximal": band((112, -250), (156, -246), (200, -250), half=1.6),
        "physis_fibula_proximal": band((110, -234), (124, -232), half=1.5),
    }
    sheet.put("line", **lines)
    if species == "dog":
        sheet.put(
            "line",
            physis_tuberosity_epiphysis=band((146, -248), (156, -253), (166, -247), half=1.6),
        )
        sheet.put(
            "line", physis_tuberosity_shaft=band((147, -236), (148, -218), (155, -204), half=1.6)
        )
    else:
        sheet.put(
            "line", physis_tibial_tuberosity=band((147, -236), (148, -218), (155, -204), half=1.6)
        )
    sheet.put(
        "soft",
        fat_triangle=blob((104, -120), (110, -40), (100, -40)),
        crus__soft_cranial=band((222, -220), (222, -90), half=3),
        crus__soft_caudal=band((234, -220), (234, -90), half=3),
    )
    sheet.put(
        "axis", plateau_slope=band((206, -276), (226, -262), half=2), torsion=oval(163, -120, 26, 6)
    )
    sheet.put("axis", crus__sagittal_axis=band((228, -60), (228, 20), half=2))
    sheet.common(
        "crus", [_WIDE[0], -290, _WIDE[1], 376], [(156, -280), (162, -140), (170, 56)], (88, 214)
    )


def stifle(sheet: Sheet, species: str) -> None:
    """Condyles, patella on the trochlea, fabellae behind the condyles."""
    sheet.put(
        "bone",
        femur_distal=tube((158, -396, 20), (157, -370, 23), (156, -346, 33), (156, -334, 36)),
        condyle_lateral=blob(
            (114, -328),
            (134, -332),
            (150, -326),
            (150, -298),
            (138, -284),
            (120, -286),
            (110, -304),
        ),
        condyle_medial=blob(
            (162, -326),
            (178, -332),
            (198, -328),
            (203, -304),
            (192, -286),
            (174, -284),
            (162, -298),
        ),
    )
    sheet.put(
        "over",
        trochlear_ridges=band((136, -366), (132, -330), half=4.4)
        + band((178, -366), (181, -330), half=4.4),
        trochlear_groove=band((157, -330), (157, -318), half=6),
        patella=blob((157, -378), (168, -368), (168, -352), (157, -340), (146, -352), (146, -368)),
        extensor_fossa=oval(122, -308, 5.4, 6.4),
        intercondylar_fossa=blob((151, -312), (156, -318), (161, -312), (161, -290), (151, -290)),
        eminences=blob((149, -268), (152, -277), (156, -270), (160, -278), (164, -268)),
        fabella_lateral=oval(125, -338, 6.4, 8),
        fabella_medial=oval(188, -338, 6, 7.4),
        popliteal_sesamoid=oval(111, -262, 4.4, 5.2),
    )
    if species == "cat":
        sheet.put("over", meniscal_ossicle=oval(184, -280, 4.4, 3))
    lines = {
        "femoropatellar": band((142, -376), (143, -346), half=1.6)
        + band((171, -376), (171, -346), half=1.6),
        "femorotibial_lateral": band((112, -276), (132, -280), (150, -279)),
        "femorotibial_medial": band((163, -279), (182, -280), (202, -276)),
        "physis_femur_distal": band((120, -338), (138, -333), (174, -333), (192, -338), half=1.6),
    }
    sheet.put("line", **lines)
    sheet.put(
        "soft",
        patellar_ligament=band((157, -334), (157, -290), (156, -252), half=2.8),
        infrapatellar_fat=blob((144, -314), (150, -300), (148, -286), (142, -290)),
        suprapatellar_pouch=band((144, -394), (157, -400), (170, -394), half=3),
        menisci=band((116, -271), (144, -272), half=2.2) + band((168, -272), (196, -271), half=2.2),
        extensor_tendon=band((120, -300), (124, -268), (128, -234), half=2),
        caudal_capsule=band((206, -330), (210, -300), half=3),
        popliteal_node=oval(216, -316, 4, 6.4),
        stifle__soft_cranial=band((230, -380), (230, -250), half=3),
    )
    sheet.put(
        "axis",
        patella_height=band((96, -378), (96, -250), half=2),
        patella_side=band((140, -384), (176, -384), half=2),
        cranial_subluxation=band((206, -268), (222, -268), half=2),
    )
    sheet.common(
        "stifle",
        [_WIDE[0], -412, _WIDE[1], 218],
        [(158, -404), (156, -300), (158, -206)],
        (90, 222),
    )
