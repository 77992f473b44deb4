"""Femur and pelvis of dog and cat."""

from viewer_plugin.maps.source.pen import Sheet, band, blob, block, oval

_WIDE = (62.0, 180.0)


def femur(sheet: Sheet) -> None:
    """Shaft, and the head at the medial side."""
    line = [(152.0, -516.0, 25.0), (154, -480, 20), (157, -430, 18), (158, -390, 19)]
    sheet.shaft(
        line,
        medulla="femur__medulla",
        facing="femur__shaft_cranial_caudal",
        sides="femur__shaft_medial_lateral",
    )
    sheet.put(
        "bone",
        femoral_neck=blob(
            (156, -546),
            (170, -560),
            (184, -574),
            (194, -560),
            (184, -544),
            (166, -522),
            (152, -524),
        ),
        femoral_head=oval(196, -572, 19, 19),
        greater_trochanter=blob(
            (122, -574), (136, -580), (144, -562), (150, -526), (128, -520), (120, -546)
        ),
    )
    sheet.put(
        "over",
        lesser_trochanter=blob((168, -528), (180, -524), (178, -508), (168, -504)),
        femoral_trochlea=band((144, -360), (157, -330), (170, -360), half=4),
        femoral_neck_line=band((158, -534), (176, -546), half=2.2),
        trochanteric_fossa=oval(150, -556, 4.6, 8),
    )
    lines = {
        "physis_femur_capital": band((184, -560), (181, -574), (188, -589), half=1.6),
        "physis_greater_trochanter": band((146, -566), (150, -530), half=1.6),
        "physis_lesser_trochanter": band((168, -528), (168, -506), half=1.6),
    }
    sheet.put("line", **lines)
    sheet.put(
        "soft",
        quadriceps=band((120, -480), (124, -400), half=3.6),
        hamstrings=band((196, -480), (196, -410), half=3.6),
        popliteal_fat=oval(204, -384, 4.4, 7),
        femur__popliteal_node=oval(210, -360, 4, 6),
    )
    sheet.put(
        "axis",
        femur__sagittal_axis=band((228, -500), (228, -380), half=2),
        femur__torsion=oval(155, -446, 28, 6),
    )
    sheet.common(
        "femur", [_WIDE[0], -604, _WIDE[1], 330], [(160, -560), (156, -440), (156, -290)], (86, 234)
    )


def hip(sheet: Sheet, species: str) -> None:
    """One half of the pelvis, ventrodorsal."""
    sheet.put(
        "bone",
        ilium=blob(
            (186, -700),
            (206, -706),
            (226, -690),
            (228, -650),
            (226, -608),
            (206, -598),
            (194, -612),
            (200, -650),
            (184, -676),
        ),
        sacrum=blob(
            (236, -690),
            (256, -696),
            (274, -690),
            (272, -656),
            (266, -628),
            (244, -628),
            (236, -656),
        ),
        ischium=blob(
            (220, -556),
            (230, -544),
            (232, -512),
            (252, -488),
            (240, -474),
            (212, -484),
            (206, -508),
            (212, -540),
        ),
        pubis=blob((222, -592), (240, -582), (264, -572), (264, -552), (246, -550), (230, -562)),
    )
    sheet.put(
        "over",
        iliac_crest=band((184, -692), (204, -708), (226, -698), half=3.4),
        acetabulum_dorsal=band((176, -584), (186, -598), (206, -600), half=3),
        acetabulum_edges=band((206, -600), (220, -590), half=3)
        + band((214, -556), (206, -548), half=3),
        acetabular_fossa=oval(219, -573, 4, 9),
    )
    closure = "physis_ischial_arch" if species == "dog" else "physis_ischiopubic"
    lines = {
        "coxofemoral": band((181, -590), (196, -596), (214, -588), (218, -572), (212, -556)),
        "sacroiliac": band((232, -686), (233, -640)),
        "pelvic_symphysis": band((268, -576), (268, -500)),
        "physis_acetabulum": band((222, -596), (228, -572), (220, -552), half=1.6),
        "physis_acetabular_bone": oval(226, -574, 3, 4.4),
        "physis_ischial_tuberosity": band((212, -488), (238, -478), half=1.6),
        closure: band((240, -560), (250, -540), half=1.6)
        if species == "cat"
        else band((240, -492), (256, -500), half=1.6),
        "physis_iliac_crest": band((188, -688), (206, -701), (224, -690), half=1.6),
    }
    sheet.put("line", **lines)
    sheet.put(
        "soft",
        gluteal_planes=band((168, -680), (150, -600), half=3.6),
        obturator_fat=oval(240, -528, 5, 10),
        iliopsoas=band((216, -640), (180, -534), half=2.6),
        soft_hip=band((104, -600), (98, -500), half=4),
    )
    sheet.put(
        "axis",
        pelvic_symmetry=band((268, -700), (268, -590), half=2),
        hip_dorsoventral=band((164, -610), (164, -590), half=2),
        hip_craniocaudal=band((196, -606), (214, -606), half=2),
        hip_cover=oval(196, -572, 8, 8),
    )
    sheet.put("zone", hip__devices=block(84, -714, 280, -470, 0.1))
    sheet.windows["hip"] = [80, -718, 210, 260]
