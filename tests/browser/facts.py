"""What the node that is not there knows of its studies."""

from dicom_service.intake.model import ImageFacts, Remark, Signalment, Spacing, StudyFacts

STUDY = "1.2.826.0.1.3680043.10.1.1"


def horse_study() -> StudyFacts:
    """Facts of both fetlocks of a horse, of which no drawing exists."""
    dog = dog_study()
    images = tuple(
        dog.images[0].model_copy(
            update={
                "uid": f"{STUDY}.{n}",
                "series_uid": f"{STUDY}.0.{n}",
                "regions": ("fetlock",),
                "view": view,
                "side": side,
                "view_confidence": "guessed" if view == "LM" else "stated",
                "view_found_in": "the order of the images" if view == "LM" else "",
            }
        )
        for n, (side, view) in enumerate(
            ((side, view) for side in "LR" for view in ("DPa", "LM", "D45L-PaMO", "D45M-PaLO")), 1
        )
    )
    animal = Signalment(
        patient_name="Dr. Hoof^Thunder", species="horse", age_months=86.0, sex="M", neutered=True
    )
    return dog.model_copy(update={"images": images, "signalment": animal, "remarks": ()})


def dog_study(side: str = "R", views: tuple[str, ...] = ("DPa", "ML")) -> StudyFacts:
    """Facts of a carpus and manus of a young dog."""
    images = tuple(
        ImageFacts(
            uid=f"{STUDY}.{n}",
            series_uid=f"{STUDY}.0.{n}",
            sop_class_uid="1.2.840.10008.5.1.4.1.1.1",
            rows=2500,
            columns=2000,
            regions=("carpus", "manus"),
            view=view,
            side=side,
            spacing=Spacing(kind="detector", row_mm=0.15, column_mm=0.15),
        )
        for n, view in enumerate(views, 1)
    )
    return StudyFacts(
        study_uid=STUDY,
        study_date="20261104",
        question="Bitten four days ago, toe-touching on the right front",
        signalment=Signalment(
            patient_name="Bramble^Juniper",
            species="dog",
            breed="Beagle",
            age_months=9.4,
            sex="F",
            neutered=True,
        ),
        images=images,
        remarks=(
            Remark(
                key="superimposed",
                severity="warning",
                text="ML: the digits are superimposed; a D45L-PaMO view would separate them.",
            ),
            Remark(key="marker", severity="note", text="DPa: no side marker was read."),
        ),
    )
