"""One digit: canna with two splint bones, sesamoids, phalanges, navicular, hoof."""

from viewer_plugin.maps.source.pen import Sheet, band, blob, oval, tube


def digit(sheet: Sheet, hind: bool) -> None:
    """Canna, splints, proximal sesamoids, phalanges and hoof, around x = 150."""
    mc, palmar = ("mt", "plantar") if hind else ("mc", "palmar")
    canna(sheet, mc, palmar)
    fetlock(sheet, mc, palmar, hind)
    foot(sheet, palmar)


def canna(sheet: Sheet, mc: str, palmar: str) -> None:
    """The third metapodial bone and the splints to its sides, the medial one longer."""
    line = [(150.0, 196.0, 31.0), (150, 250, 26), (150, 330, 25), (150, 400, 27)]
    sheet.put(
        "bone",
        **{
            f"{mc}3": tube(*line),
            f"{mc}3_proximal": blob(
                (118, 184), (150, 181), (182, 184), (181, 200), (150, 204), (119, 200)
            ),
        },
    )
    sheet.put(
        "over",
        **{
            f"{mc}3_medial_lateral_cortex": band((126, 230), (126, 370), half=2.6)
            + band((174, 230), (174, 370), half=2.6),
            f"{mc}3_dorsal_cortex": band((150, 226), (150, 384), half=3.4),
            f"{mc}3_dorsomedial_cortex": band((161, 226), (161, 384), half=2.8),
            f"{mc}3_dorsolateral_cortex": band((139, 226), (139, 384), half=2.8),
            f"{mc}3_{palmar}_cortex": band((150, 394), (150, 404), half=5),
        },
    )
    sheet.put(
        "bone",
        **{
            f"{mc}2": tube((190, 204, 8), (188, 260, 5.4), (184, 330, 3.4), (182, 352, 2.4)),
            f"{mc}4": tube((110, 204, 8.6), (112, 260, 5.4), (116, 310, 3.4), (118, 334, 2.4)),
            f"{mc}2_proximal": blob((183, 186), (192, 184), (201, 188), (198, 204), (186, 204)),
            f"{mc}4_proximal": blob((117, 186), (108, 184), (99, 188), (102, 204), (114, 204)),
            "splint_ends": oval(182, 356, 4, 5.6) + oval(118, 338, 4, 5.6),
        },
    )
    row = "carpometacarpal" if mc == "mc" else "tarsometatarsal"
    inter = "intermetacarpal" if mc == "mc" else "intermetatarsal"
    sheet.put(
        "line",
        **{
            row: band((100, 180), (150, 177), (200, 180)),
            f"{inter}_2_3": band((180, 206), (180, 260), half=1.7),
            f"{inter}_3_4": band((120, 206), (120, 260), half=1.7),
            f"physis_{mc}3": band((119, 412), (150, 408), (181, 412), half=1.7),
            f"physis_{mc}2": band((178, 346), (187, 345), half=1.5),
            f"physis_{mc}4": band((113, 329), (122, 328), half=1.5),
        },
    )


def fetlock(sheet: Sheet, mc: str, palmar: str, hind: bool) -> None:
    """Condyles with their sagittal ridge, the sesamoids behind them, the proximal end of P1."""
    joint, other = ("mtp_3", "metatarsosesamoid") if hind else ("mcp_3", "metacarposesamoid")
    sheet.put(
        "bone",
        **{
            f"{mc}3_distal": blob(
                (121, 400),
                (150, 398),
                (179, 400),
                (188, 424),
                (188, 444),
                (170, 452),
                (150, 454),
                (130, 452),
                (112, 444),
                (112, 424),
            )
        },
    )
    sheet.put(
        "over",
        **{
            f"{mc}3_sagittal_ridge": blob(
                (145, 432), (155, 432), (156, 452), (150, 459), (144, 452)
            ),
            f"{mc}3_condyle_medial": blob(
                (158, 434), (184, 430), (186, 446), (170, 453), (158, 453)
            ),
            f"{mc}3_condyle_lateral": blob(
                (142, 434), (116, 430), (114, 446), (130, 453), (142, 453)
            ),
            f"{mc}3_condyles_{palmar}": band((120, 424), (180, 424), half=3),
            "sesamoid_medial": blob(
                (166, 398), (178, 402), (182, 416), (174, 430), (162, 424), (159, 410)
            ),
            "sesamoid_lateral": blob(
                (134, 398), (122, 402), (118, 416), (126, 430), (138, 424), (141, 410)
            ),
        },
    )
    d1 = tube((150, 466, 35), (150, 486, 30), (150, 520, 24), (150, 548, 28), (150, 558, 28))
    sheet.put(
        "bone",
        d3_p1=d1,
        p1_proximal=blob((114, 464), (150, 469), (186, 464), (182, 484), (150, 488), (118, 484)),
    )
    sheet.put(
        "over",
        **{
            "p1_dorsal_medial": oval(163, 474, 7, 5),
            "p1_dorsal_lateral": oval(137, 474, 7, 5),
            f"p1_{palmar}_medial": oval(179, 472, 5.4, 6),
            f"p1_{palmar}_lateral": oval(121, 472, 5.4, 6),
        },
    )
    sheet.put(
        "line",
        **{
            joint: band((112, 455), (132, 459), (150, 463), (168, 459), (188, 455)),
            other: band((120, 434), (140, 433), half=1.7) + band((160, 433), (180, 434), half=1.7),
            "physis_p1_3": band((117, 490), (150, 493), (183, 490), half=1.6),
        },
    )
    sheet.put(
        "soft",
        **{
            "dorsal_pouch": oval(150, 392, 10, 4.6),
            f"{palmar}_pouch": band((192, 398), (196, 420), half=3.4),
            "synovial_pad": band((140, 402), (160, 402), half=1.8),
            "extensor_tendon": band((150, 500), (150, 546), half=2.4),
            "suspensory": band((206, 220), (206, 330), half=3),
            "suspensory_branch_medial": band((186, 372), (190, 396), half=2.8),
            "suspensory_branch_lateral": band((114, 372), (110, 396), half=2.8),
            "distal_sesamoidean_ligaments": band((140, 494), (144, 530), half=2)
            + band((160, 494), (156, 530), half=2),
            "annular_ligament": band((196, 426), (197, 446), half=2.6),
            "digital_sheath": band((204, 400), (206, 470), (200, 520), half=2.8),
            "sdft": band((222, 220), (222, 390), half=2.6),
            "ddft": band((214, 220), (214, 390), half=2.6),
            "accessory_ligament_ddft": band((230, 220), (228, 280), half=2.4),
            "ergot": oval(212, 452, 4, 5),
        },
    )


def foot(sheet: Sheet, palmar: str) -> None:
    """P2, navicular behind the joint, P3 in its hoof."""
    sheet.put(
        "bone",
        d3_p2=blob(
            (118, 568),
            (150, 572),
            (182, 568),
            (178, 586),
            (184, 606),
            (150, 610),
            (116, 606),
            (122, 586),
        ),
        d3_p3=blob(
            (112, 622),
            (150, 616),
            (188, 622),
            (206, 650),
            (216, 676),
            (190, 688),
            (150, 692),
            (110, 688),
            (84, 676),
            (94, 650),
        ),
    )
    sheet.put(
        "over",
        **{
            "navicular": blob(
                (108, 606),
                (128, 598),
                (150, 596),
                (172, 598),
                (192, 606),
                (174, 617),
                (150, 620),
                (126, 617),
            ),
            "navicular_proximal_border": band((116, 601), (150, 595), (184, 601), half=2.2),
            "navicular_distal_border": band((116, 613), (150, 621), (184, 613), half=2.2),
            "navicular_flexor_cortex": band((130, 608), (170, 608), half=2.6),
            "p3_extensor_process": blob((140, 634), (150, 626), (160, 634), (156, 644), (144, 644)),
            f"p3_{palmar}_process_medial": blob((198, 644), (210, 652), (214, 670), (202, 668)),
            f"p3_{palmar}_process_lateral": blob((102, 644), (90, 652), (86, 670), (98, 668)),
            "p3_solar_margin": band((92, 682), (150, 691), (208, 682), half=3),
        },
    )
    sheet.put(
        "line",
        pip_3=band((118, 563), (150, 566), (182, 563)),
        dip_3=band((114, 618), (128, 622), (172, 622), (186, 618)),
        physis_p2_3=band((121, 580), (150, 583), (179, 580), half=1.6),
    )
    sheet.put(
        "over",
        shoe=blob((74, 708), (150, 716), (226, 708), (228, 716), (150, 725), (72, 716)),
        shoe_nails=band((98, 696), (96, 712), half=1.6) + band((202, 696), (204, 712), half=1.6),
    )
    sheet.put(
        "soft",
        hoof_wall_medial=tube((204, 628, 4), (216, 660, 4.4), (228, 704, 5)),
        hoof_wall_lateral=tube((96, 628, 4), (84, 660, 4.4), (72, 704, 5)),
        hoof_wall_dorsal=band((150, 646), (150, 680), half=3.2),
        sole=band((96, 698), (150, 702), (204, 698), half=2.8),
        frog=blob((138, 704), (150, 676), (162, 704)),
        coronary_band=band((92, 618), (96, 610), half=3.2) + band((208, 618), (204, 610), half=3.2),
        ungual_cartilage_medial=blob((196, 606), (206, 622), (210, 640), (200, 634)),
        ungual_cartilage_lateral=blob((104, 606), (94, 622), (90, 640), (100, 634)),
        dip_pouch=oval(150, 630, 8, 3),
        ddft_navicular=band((150, 560), (150, 594), half=2),
        pastern_dorsal=band((96, 500), (98, 580), half=3),
        pastern_palmar=band((204, 530), (202, 580), half=3),
    )
    sheet.put(
        "axis",
        hoof_pastern_axis=band((150, 560), (150, 712), half=2),
        p3_rotation=band((232, 640), (246, 700), half=2),
        p3_sinking=band((60, 610), (60, 650), half=2),
        mediolateral_balance=band((90, 632), (210, 632), half=2),
        **{f"{palmar}_angle": band((110, 694), (190, 694), half=2)},
    )
