"""The forelimb of the horse above the canna, and where its drawing is cut."""

from viewer_plugin.maps.source.horse_digit import digit
from viewer_plugin.maps.source.pen import Point, Sheet, band, blob, block, oval, skin, tube

_WIDE = (40.0, 220.0)


def horse_fore() -> Sheet:
    """Draw the right forelimb from in front."""
    sheet = Sheet(
        ("horse",),
        "horse_fore",
        "Right forelimb of a horse from in front, proximal at the top, medial at the right. "
        "A schema, not to scale. Mirrored for the left limb.",
    )
    digit(sheet, hind=False)
    horse_carpus(sheet)
    horse_arm(sheet)
    sheet.common("metacarpus", list(cut(176, 470)), [(150, 180), (150, 460)], (88, 212))
    sheet.put("soft", metacarpus__soft_dorsal=band((70, 230), (70, 370), half=3))
    sheet.put("axis", metacarpus__sagittal_axis=band((58, 230), (58, 370), half=2))
    sheet.common("fetlock", list(cut(350, 566)), [(150, 350), (150, 556)], (94, 212))
    sheet.put(
        "axis",
        fetlock__sagittal_alignment=band((64, 380), (60, 460), (72, 540), half=2),
        sesamoid_position=band((110, 414), (190, 414), half=1.8),
    )
    sheet.windows["pastern_foot"] = list(cut(452, 734))
    sheet.put("zone", pastern_foot__devices=block(64, 548, 236, 600, 0.2))
    left: list[Point] = [
        (104, -640),
        (80, -500),
        (86, -380),
        (84, -260),
        (96, -120),
        (98, 10),
        (90, 100),
        (94, 180),
        (100, 300),
        (100, 390),
        (94, 440),
        (108, 530),
        (98, 600),
        (80, 650),
        (64, 706),
    ]
    sheet.outline = skin(left, [(300 - x, y) for x, y in reversed(left)])
    return sheet


def cut(top: float, bottom: float) -> tuple[float, float, float, float]:
    """A window of the full width between two heights."""
    return (_WIDE[0], top, _WIDE[1], bottom - top)


def horse_carpus(sheet: Sheet) -> None:
    """Two rows; the accessory carpal bone lateral, C1 and C5 as pea-sized companions."""
    sheet.put(
        "bone",
        radius_distal=blob(
            (118, -30),
            (150, -32),
            (182, -30),
            (190, 20),
            (200, 60),
            (198, 84),
            (150, 90),
            (102, 84),
            (100, 60),
            (110, 20),
        ),
        radial_carpal=block(162, 94, 198, 130),
        intermediate_carpal=block(126, 94, 159, 130),
        ulnar_carpal=block(102, 94, 123, 130),
        accessory_carpal=blob((84, 74), (96, 76), (99, 100), (96, 126), (82, 122), (78, 98)),
        c2=block(180, 136, 200, 174),
        c3=block(132, 136, 177, 174, 0.14),
        c4=block(102, 136, 129, 174),
    )
    sheet.put(
        "over",
        radius_distal_margin=band((106, 84), (150, 89), (194, 84), half=2.6),
        radius_styloid=blob((186, 66), (200, 64), (200, 84), (188, 84)),
        ulna_styloid=blob((100, 64), (114, 66), (112, 84), (100, 84)),
        radial_carpal_dorsal=band((168, 126), (192, 126), half=3),
        intermediate_carpal_dorsal=band((130, 126), (154, 126), half=3),
        c3_radial_facet=blob((158, 138), (175, 138), (175, 152), (160, 152)),
        c1=oval(206, 168, 4.4, 5.4),
        c5=oval(95, 168, 4, 5),
    )
    lines = {
        "antebrachiocarpal": band((102, 91), (150, 93), (198, 91)),
        "middle_carpal": band((102, 133), (150, 133), (200, 133)),
        "intercarpal_accessory": band((100, 96), (100, 124), half=1.7),
        "physis_radius_distal": band((103, 52), (150, 56), (197, 52), half=1.8),
        "physis_ulna_styloid": band((100, 70), (114, 71), half=1.5),
    }
    sheet.put("line", **lines)
    sheet.put(
        "soft",
        carpus__soft_dorsal=band((232, 60), (232, 170), half=3),
        carpus__soft_palmar=band((58, 60), (58, 170), half=3),
        fat_pads=oval(226, 84, 4, 6) + oval(226, 128, 4, 6),
        extensor_sheaths=band((222, 10), (222, 60), half=2.4),
        carpal_sheath=band((68, 40), (66, 160), half=2.8),
        palmar_pouches=band((74, 66), (76, 52), half=3),
    )
    sheet.put(
        "axis",
        carpus__sagittal_alignment=band((244, 0), (244, 190), half=2),
        offset=band((120, 206), (180, 206), half=2),
    )
    sheet.common("carpus", list(cut(-34, 224)), [(150, -30), (150, 216)], (80, 216))


def horse_arm(sheet: Sheet) -> None:
    """Radius, ulna, humerus, scapula."""
    sheet.put(
        "bone",
        radius_shaft=tube((150, -180, 30), (150, -120, 27), (150, -60, 29), (150, -36, 31)),
        radius_proximal=blob(
            (106, -224),
            (150, -230),
            (194, -224),
            (192, -200),
            (178, -182),
            (122, -182),
            (108, -200),
        ),
        ulna_shaft=tube((118, -170, 7), (121, -120, 5), (124, -70, 3)),
        humerus_distal=blob(
            (124, -300),
            (150, -304),
            (176, -300),
            (196, -272),
            (194, -240),
            (150, -236),
            (106, -240),
            (104, -272),
        ),
        humerus_shaft=tube((148, -400, 34), (148, -360, 27), (149, -324, 26), (150, -302, 28)),
        humerus_proximal=tube((146, -436, 44), (146, -418, 42), (147, -402, 35)),
        scapula=tube((150, -640, 34), (151, -580, 28), (151, -530, 22)),
        scapula_neck=tube((151, -526, 21), (151, -508, 21), (150, -494, 27)),
    )
    sheet.put(
        "over",
        olecranon=blob(
            (142, -318),
            (158, -322),
            (172, -314),
            (172, -270),
            (166, -238),
            (146, -238),
            (142, -276),
        ),
        anconeal_process=oval(156, -262, 10, 6),
        trochlear_notch=band((142, -236), (156, -231), (172, -237), half=2.6),
        trochlea=blob((154, -262), (190, -264), (192, -242), (156, -240)),
        capitulum=blob((108, -264), (142, -262), (142, -241), (110, -243)),
        medial_epicondyle=blob((188, -292), (202, -280), (200, -258), (190, -262)),
        lateral_epicondyle=blob((112, -292), (98, -280), (100, -258), (110, -262)),
        radial_tuberosity=oval(178, -196, 6, 8),
        deltoid_tuberosity=blob((122, -384), (110, -368), (116, -346), (124, -348)),
        humeral_head=blob(
            (118, -450), (146, -466), (178, -452), (172, -436), (146, -430), (122, -436)
        ),
        greater_tubercle=blob((98, -464), (114, -470), (118, -440), (110, -418), (100, -430)),
        intermediate_tubercle=oval(146, -440, 6, 10),
        lesser_tubercle=blob((182, -466), (194, -460), (194, -432), (182, -428)),
        intertubercular_groove=band((130, -434), (132, -412), half=3)
        + band((162, -434), (160, -412), half=3),
        supraglenoid=blob((176, -516), (192, -510), (194, -494), (182, -492)),
        coracoid=oval(196, -486, 5, 6),
        glenoid=blob((118, -488), (150, -496), (182, -488), (178, -478), (150, -484), (122, -478)),
    )
    lines = {
        "elbow_joint": band((106, -233), (150, -234), (194, -233)),
        "radioulnar_synostosis": band((126, -176), (128, -100), half=1.7),
        "scapulohumeral": band((112, -468), (146, -474), (182, -468)),
        "physis_humerus_distal": band((106, -268), (136, -272), (164, -272), (196, -268), half=1.6),
        "physis_medial_epicondyle": band((188, -288), (190, -262), half=1.6),
        "physis_radius_proximal": band((108, -206), (150, -202), (192, -206), half=1.6),
        "physis_ulna_proximal": band((143, -304), (170, -302), half=1.6),
        "physis_supraglenoid": band((175, -516), (184, -494), half=1.6),
        "physis_glenoid": band((120, -494), (150, -500), (178, -496), half=1.6),
        "physis_humerus_proximal": band((104, -414), (146, -408), (190, -414), half=1.6),
        "physis_greater_tubercle": band((116, -462), (118, -424), half=1.6),
    }
    sheet.put("line", **lines)
    sheet.put(
        "soft",
        triceps_insertion=band((168, -360), (162, -326), half=3.6),
        olecranon_bursa=oval(180, -312, 5, 7),
        elbow_humerus__soft_cranial=band((232, -330), (232, -230), half=3),
        antebrachium_cranial=band((232, -190), (232, -90), half=3),
        antebrachium_caudal=band((68, -190), (68, -90), half=3),
        biceps_tendon=band((190, -482), (164, -440), (160, -396), half=3),
        bicipital_bursa=oval(176, -424, 4, 8),
        soft_muscles=band((70, -580), (70, -440), half=4),
    )
    sheet.common(
        "elbow_humerus", list(cut(-420, -30)), [(148, -410), (150, -240), (150, -40)], (84, 216)
    )
    sheet.common(
        "shoulder", list(cut(-652, -352)), [(150, -640), (150, -480), (148, -360)], (84, 216)
    )
    sheet.shapes["shoulder.frontal_position"] = sheet.shapes.pop("shoulder.frontal_axis")
    sheet.put(
        "axis",
        elbow_humerus__sagittal_axis=band((244, -400), (244, -60), half=2),
        frontal_position=band((110, -226), (190, -226), half=2),
        shoulder__sagittal_position=band((240, -560), (240, -420), half=2),
    )
