"""What the node computed on an image, with one of everything that a document can carry of it."""

from dicom_service.review.computed import Computed, ComputedNumber, Curve, Scale, Shape
from dicom_service.review.model import Measurement

STUDY = "1.2.826.0.1.3680043.8.498.1"
SERIES = f"{STUDY}.1"
DPA, ML = f"{SERIES}.1", f"{SERIES}.2"

COMPUTED_JOINT = Measurement(
    id="m-joint",
    item="",
    view=DPA,
    kind="computed",
    points=((100.25, 200.1), (140.7, 230.3)),
    value=1.234567,
    unit="mm",
    calibration="at the detector plane",
    computed=Computed(
        kind="joint_space",
        scale=Scale(kind="ball", points=((60.5, 70.25),), true_mm=25.4),
        method="sesamoid.joint_space",
        version="1",
        numbers=(
            ComputedNumber(id="minimum", name="minimum over 2 mm", value=1.234567, unit="mm",
                           plus_minus=0.2),
            ComputedNumber(id="mean", name="mean width", value=0.65, unit="mm", bound="at most"),
            ComputedNumber(id="unheard_of", name="new", value=41.0, unit="grey values"),
            ComputedNumber(id="area", name="width times depth", value=7.0,
                           unit="grey values x mm"),
        ),
        doubts=("one margin is blurred", "millimetres are not corrected for magnification"),
        shapes=(
            Shape(kind="line", name="first margin", points=((100.0, 200.0), (140.0, 230.0))),
            Shape(kind="circle", name="pit", points=((120.0, 215.0),), radius=4.5),
            Shape(kind="outline", name="part", points=((1.0, 1.0), (9.0, 1.0), (5.0, 8.0))),
        ),
        curves=(Curve(name="joint space width", unit="mm", along=(0.0, 0.25),
                      values=(1.3, None)),),
    ),
)  # fmt: skip
COMPUTED_SWELLING = Measurement(
    id="m-swelling",
    item="",
    view=DPA,
    kind="computed",
    points=(),
    value=6.5,
    unit="mm",
    computed=Computed(
        kind="swelling_profile",
        control_view=ML,
        method="sesamoid.swelling_profile",
        version="1",
        numbers=(
            ComputedNumber(id="thickest", value=6.5, unit="mm", bound="at least"),
            ComputedNumber(id="bone_width", value=14.0, unit="mm", plus_minus=0.3),
        ),
        word="diffuse",
        why="away from its peak the excess is still 80% of it",
        shapes=(Shape(kind="points", name="skin", points=((10.5, 20.0), (11.0, 22.0))),),
    ),
)
