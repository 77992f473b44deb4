"""The hind limb of the horse above the canna."""

from viewer_plugin.maps.source.horse import cut
from viewer_plugin.maps.source.horse_digit import digit
from viewer_plugin.maps.source.pen import Point, Sheet, band, blob, block, oval, skin, tube

_FORE = (
    "pastern_dorsal",
    "pastern_palmar",
    "accessory_ligament_ddft",
    "synovial_pad",
    "ergot",
    "p1_proximal",
    "extensor_tendon",
)


def horse_hind() -> Sheet:
    """Draw the right hind limb from in front."""
    sheet = Sheet(
        ("horse",),
        "horse_hind",
        "Right hind limb of a horse from in front, proximal at the top, medial at the right; the "
        "calcaneus is drawn lateral to the tibia. A schema, not to scale. Mirrored for the left.",
    )
    digit(sheet, hind=True)
    for only_fore in _FORE:
        sheet.shapes.pop(only_fore)
    tarsus(sheet)
    crus(sheet)
    stifle(sheet)
    hip(sheet)
    sheet.windows["metatarsus_hindfoot"] = list(cut(172, 734))
    sheet.put("zone", metatarsus_hindfoot__devices=block(84, 184, 216, 600, 0.1))
    sheet.put(
        "soft",
        metatarsus_hindfoot__soft_dorsal=band((62, 230), (62, 370), half=3),
        metatarsus_hindfoot__soft_lateral=band((80, 220), (84, 360), half=3.4),
        metatarsus_hindfoot__soft_medial=band((198, 230), (196, 340), half=2.6),
    )
    sheet.put(
        "axis",
        fetlock_frontal=band((150, 350), (150, 540), half=2),
        fetlock_sagittal=band((64, 400), (60, 460), (72, 540), half=2),
        sesamoid_position=band((110, 414), (190, 414), half=1.8),
    )
    left: list[Point] = [
        (70, -720),
        (62, -560),
        (74, -430),
        (80, -320),
        (88, -200),
        (80, -60),
        (70, 20),
        (80, 130),
        (94, 190),
        (100, 300),
        (100, 390),
        (94, 440),
        (108, 530),
        (98, 600),
        (80, 650),
        (64, 706),
    ]
    right: list[Point] = [
        (236, 706),
        (220, 650),
        (202, 600),
        (192, 530),
        (206, 440),
        (200, 390),
        (200, 300),
        (206, 190),
        (212, 100),
        (206, 0),
        (208, -120),
        (218, -260),
        (226, -400),
        (262, -480),
        (290, -560),
        (290, -720),
    ]
    sheet.outline = skin(left, right)
    return sheet


def tarsus(sheet: Sheet) -> None:
    """Talus with its two ridges, calcaneus, the flat central and third bones, T4 beside both."""
    sheet.put(
        "bone",
        tibia_distal=blob(
            (132, -40),
            (160, -42),
            (186, -40),
            (198, 6),
            (208, 40),
            (196, 52),
            (172, 62),
            (146, 52),
            (130, 44),
            (126, 6),
        ),
        talus=blob(
            (136, 62),
            (148, 54),
            (172, 72),
            (194, 54),
            (208, 64),
            (208, 90),
            (198, 116),
            (166, 122),
            (138, 116),
            (134, 90),
        ),
        calcaneus=blob(
            (82, -20),
            (98, -30),
            (114, -22),
            (116, 20),
            (128, 64),
            (130, 116),
            (98, 120),
            (90, 84),
            (84, 30),
        ),
        central_tarsal=block(134, 126, 204, 142, 0.3),
        t3=block(134, 148, 184, 170, 0.26),
        t1_t2=block(187, 148, 206, 174, 0.3),
        t4=block(96, 124, 131, 174, 0.16),
    )
    sheet.put(
        "over",
        tuber_calcanei=blob((82, -18), (98, -31), (114, -20), (114, 0), (98, 6), (84, 0)),
        sustentaculum=blob((126, 84), (140, 86), (144, 100), (130, 108)),
        talus_ridge_lateral=blob((136, 62), (148, 53), (160, 64), (158, 96), (140, 98)),
        talus_ridge_medial=blob((184, 62), (196, 54), (208, 64), (206, 96), (188, 98)),
        talus_groove=band((172, 74), (172, 100), half=4),
        intermediate_ridge=blob((164, 50), (172, 46), (180, 50), (176, 64), (168, 64)),
        medial_malleolus=blob((198, 28), (212, 36), (214, 60), (204, 58)),
        lateral_malleolus=blob((128, 28), (120, 38), (122, 58), (132, 54)),
        dorsomedial_border=band((206, 126), (209, 172), half=2.2),
        dorsolateral_border=band((92, 126), (91, 172), half=2.2),
    )
    lines = {
        "tarsocrural": band((132, 58), (150, 50), (172, 68), (194, 50), (208, 58)),
        "talocalcanean": band((131, 68), (133, 112)),
        "proximal_intertarsal": band((100, 122), (134, 122), (170, 124), (206, 121)),
        "centrodistal": band((133, 145), (206, 145)),
        "physis_tibia_distal": band((128, 18), (166, 24), (204, 18), half=1.7),
        "physis_lateral_malleolus": band((121, 40), (131, 40), half=1.5),
        "physis_calcaneus": band((83, 2), (98, 8), (114, 2), half=1.7),
    }
    sheet.put("line", **lines)
    sheet.put(
        "soft",
        tarsus__dorsal_pouch=band((160, 40), (186, 40), half=3.4),
        plantar_pouches=band((212, 70), (216, 90), half=3.4) + band((118, 66), (116, 80), half=3),
        tarsal_sheath=band((222, 20), (224, 120), half=2.8),
        crus__calcanean_tendon=band((98, -220), (97, -120), (98, -36), half=4),
        tarsus__calcanean_tendon=band((97, -52), (98, -34), half=5),
        calcanean_bursa=oval(98, -44, 6, 4.6),
        plantar_ligament=band((84, 60), (86, 170), half=2.8),
        extensor_tendons=band((190, -20), (192, 20), half=2.6),
    )
    sheet.put("axis", tarsus__sagittal_axis=band((238, -30), (238, 180), half=2))
    sheet.common("tarsus", list(cut(-54, 222)), [(160, -44), (170, 60), (150, 216)], (66, 220))


def crus(sheet: Sheet) -> None:
    """The tibia with the short fibula."""
    walls = {
        "cranial_caudal": (0.0, 4.0),
        "medial_lateral": (19.0, 3.0),
        "craniomedial": (8.0, 2.6),
        "craniolateral": (-8.0, 2.6),
        "caudomedial": (13.5, 2.0),
        "caudolateral": (-13.5, 2.0),
    }
    sheet.put(
        "bone", medulla=tube((156, -204, 34), (156, -160, 26), (158, -100, 23), (159, -44, 26))
    )
    for name, (x, half) in walls.items():
        shape = band((156 + x, -186), (158 + x, -60), half=half)
        sheet.put(
            "over",
            **{
                f"shaft_{name}": shape
                + (band((137, -186), (139, -60), half=half) if name == "medial_lateral" else "")
            },
        )
    sheet.put(
        "bone",
        tibia_proximal=blob(
            (100, -262),
            (128, -266),
            (152, -272),
            (180, -266),
            (208, -262),
            (204, -234),
            (186, -206),
            (126, -206),
            (108, -234),
        ),
        fibula=tube((104, -230, 5.4), (108, -190, 3.4), (114, -150, 2)),
        fibular_head=blob((92, -250), (102, -252), (108, -242), (106, -228), (96, -230)),
    )
    sheet.put(
        "over",
        tibial_tuberosity=blob(
            (136, -254), (150, -258), (164, -252), (164, -224), (150, -208), (138, -224)
        ),
        cranial_border=band((150, -204), (150, -168), half=2.4),
        tibia_condyle_lateral=blob((102, -258), (132, -260), (134, -238), (112, -234)),
        tibia_condyle_medial=blob((168, -260), (206, -258), (198, -234), (168, -238)),
        eminences=blob((146, -262), (150, -276), (155, -266), (161, -278), (165, -262)),
    )
    lines = {
        "stifle_joint": band((100, -272), (152, -281), (208, -272)),
        "tibiofibular_proximal": band((109, -246), (110, -232), half=1.7),
        "physis_tibia_proximal": band((106, -236), (134, -232), half=1.7)
        + band((168, -232), (202, -236), half=1.7),
        "physis_tuberosity_epiphysis": band((136, -257), (150, -262), (164, -256), half=1.6),
        "physis_tuberosity_shaft": band((137, -226), (150, -206), (164, -226), half=1.6),
    }
    sheet.put("line", **lines)
    sheet.put(
        "soft",
        crus__soft_cranial=band((234, -230), (234, -90), half=3),
        crus__soft_caudal=band((62, -230), (62, -90), half=3),
    )
    sheet.put("axis", crus__sagittal_axis=band((244, -230), (244, 20), half=2))
    sheet.common("crus", list(cut(-286, 72)), [(153, -280), (158, -140), (168, 54)], (80, 218))


def stifle(sheet: Sheet) -> None:
    """The larger medial trochlear ridge, the patella, two condyles."""
    sheet.put(
        "bone",
        femur_distal=blob(
            (124, -420),
            (152, -424),
            (182, -420),
            (198, -384),
            (202, -352),
            (152, -344),
            (102, -352),
            (108, -384),
        ),
        condyle_lateral=blob(
            (102, -346), (128, -348), (146, -342), (146, -300), (126, -284), (102, -292), (96, -320)
        ),
        condyle_medial=blob(
            (160, -342),
            (180, -348),
            (206, -346),
            (214, -318),
            (206, -290),
            (182, -284),
            (160, -300),
        ),
    )
    sheet.put(
        "over",
        trochlear_ridge_medial=blob(
            (168, -412), (186, -410), (192, -370), (184, -332), (170, -336), (168, -372)
        ),
        trochlear_ridge_lateral=blob(
            (136, -404), (124, -402), (118, -368), (124, -338), (136, -342), (138, -372)
        ),
        trochlear_groove=band((152, -364), (152, -340), half=6),
        patella=blob((152, -424), (172, -412), (170, -388), (152, -370), (134, -388), (132, -412)),
        extensor_fossa=oval(108, -326, 5.6, 7),
    )
    lines = {
        "femoropatellar": band((130, -420), (130, -384), half=1.8)
        + band((175, -420), (175, -384), half=1.8),
        "femorotibial_lateral": band((98, -279), (120, -283), (144, -281)),
        "femorotibial_medial": band((162, -281), (186, -283), (210, -279)),
        "physis_femur_distal": band((104, -362), (118, -366), half=1.7)
        + band((192, -366), (200, -362), half=1.7),
    }
    sheet.put("line", **lines)
    sheet.put(
        "soft",
        patellar_ligament_intermediate=band((152, -366), (151, -310), (150, -258), half=2.6),
        patellar_ligament_medial=band((168, -382), (164, -310), (158, -256), half=2.4),
        patellar_ligament_lateral=band((137, -382), (138, -310), (143, -256), half=2.4),
        infrapatellar_fat=oval(152, -296, 5, 8),
        femoropatellar_pouch=band((134, -434), (152, -438), (170, -434), half=3.4),
        femorotibial_pouches=band((90, -300), (92, -276), half=3.2)
        + band((218, -300), (216, -276), half=3.2),
        menisci=band((104, -271), (134, -274), half=2.2) + band((172, -274), (204, -271), half=2.2),
        stifle__soft_caudal=band((236, -400), (236, -280), half=3),
    )
    sheet.put(
        "axis",
        patella_height=band((84, -424), (84, -256), half=2),
        patella_side=band((128, -440), (178, -440), half=2),
        cranial_subluxation=band((218, -268), (236, -268), half=2),
    )
    sheet.common(
        "stifle", list(cut(-446, -196)), [(152, -440), (152, -310), (154, -204)], (74, 226)
    )


def hip(sheet: Sheet) -> None:
    """One half of the pelvis and the proximal femur."""
    sheet.put(
        "bone",
        femur_shaft=tube((142, -540, 34), (146, -500, 27), (150, -460, 27), (152, -428, 29)),
        femoral_neck=blob((152, -580), (172, -592), (190, -582), (178, -556), (154, -552)),
        femoral_head=oval(198, -592, 21, 20),
        greater_trochanter=blob(
            (104, -604), (122, -612), (136, -590), (148, -548), (112, -540), (104, -570)
        ),
        ilium=blob(
            (190, -720),
            (210, -724),
            (234, -706),
            (236, -664),
            (230, -630),
            (206, -622),
            (196, -642),
            (204, -680),
            (180, -700),
        ),
        ischium=blob(
            (224, -574),
            (238, -560),
            (240, -524),
            (262, -496),
            (248, -482),
            (216, -494),
            (210, -520),
            (216, -556),
        ),
        pubis=blob((228, -612), (248, -600), (276, -590), (276, -570), (254, -568), (236, -580)),
        sacrum=blob((246, -706), (266, -712), (284, -706), (282, -670), (254, -668)),
    )
    del sheet.shapes["sacrum"]
    sheet.put(
        "over",
        tuber_coxae=blob((176, -706), (190, -724), (206, -726), (200, -712), (184, -698)),
        acetabulum=band((178, -610), (196, -620), (218, -612), (226, -592), (216, -574), half=3.2),
        lesser_trochanter=oval(172, -528, 6, 9),
        third_trochanter=blob((112, -508), (104, -500), (110, -482), (120, -484)),
        supracondylar_fossa=oval(176, -440, 6, 10),
    )
    lines = {
        "coxofemoral": band((180, -600), (196, -615), (216, -604), (220, -590)),
        "sacroiliac": band((240, -704), (242, -668)),
        "pelvic_symphysis": band((281, -596), (281, -510)),
        "physis_acetabulum": band((228, -618), (234, -596), (224, -570), half=1.7),
        "physis_ischial_tuberosity": band((216, -500), (246, -488), half=1.7),
        "physis_femur_capital": band((184, -576), (181, -594), (188, -608), half=1.7),
        "physis_greater_trochanter": band((138, -590), (148, -552), half=1.7),
        "physis_lesser_trochanter": band((167, -536), (167, -520), half=1.5),
        "physis_third_trochanter": band((119, -506), (121, -486), half=1.5),
    }
    sheet.put("line", **lines)
    sheet.put(
        "soft",
        soft_hip=band((84, -620), (80, -500), half=4),
        quadriceps=band((108, -470), (112, -430), half=3.6),
        hamstrings=band((196, -490), (200, -440), half=3.6),
    )
    sheet.put(
        "axis",
        pelvic_symmetry=band((286, -720), (286, -610), half=2),
        hip_dorsoventral=band((160, -630), (160, -606), half=2),
        hip_craniocaudal=band((196, -632), (216, -632), half=2),
    )
    sheet.put("zone", hip_femur__devices=block(70, -730, 290, -350, 0.08))
    sheet.windows["hip_femur"] = [60, -736, 236, 400]
