"""An invented animal whose words are found in any text, and everything that can go wrong with it.

The words are ones that no log holds by chance; each stands for what a log must not hold.
"""

import contextlib
import urllib.error
import urllib.request
import warnings
from collections.abc import Iterator, Sequence
from copy import deepcopy
from io import BytesIO

from pydicom import config
from pydicom.dataelem import RawDataElement
from pydicom.dataset import Dataset
from pydicom.encaps import encapsulate
from pydicom.tag import Tag
from pydicom.uid import JPEG2000Lossless, generate_uid
from pynetdicom import AE

from dicom_service.review.model import Reading
from test_pacs.reader import ReaderClient, RequestRefused
from test_pacs.studies import small_study
from tests.job.helpers import PASSWORD

WORDS = {
    "name": "Zwiebelfisch",
    "other name": "Quastenflosser",
    "patient ID": "PX7741",
    "owner": "Brummelkamp",
    "birth date": "20190317",
    "written birth date": "Wintermond",
    "accession number": "ACC90412",
    "reason": "hinktseitsonntag",
    "comments": "beisstdieleute",
    "weight": "zwoelfpfund",
    "a UID that is none": "uidvomtier",
    "finding": "haarrissamrand",
    "impression": "schiefgeheilt",
    "addendum": "nachtragsatz",
    "reason of correction": "verwechselteseite",
    "reason of withdrawal": "falschestier",
    "peer's comment": "kommentardesarchivs",
    "earlier study": "altebefunde",
    "pixels": "bildinhalt",
    "mistyped": "vertipptertext",
}
PERSON_AS_WRITTEN = ("2019-03-17", "17.03.2019", "17 March 2019", "2019/03/17")
"""Other ways to write the birth date."""


def leaks(said: str) -> list[str]:
    """What of the animal stands in a text, by its names in `WORDS`."""
    folded = said.casefold()
    found = [what for what, word in WORDS.items() if word.casefold() in folded]
    return found + [date for date in PERSON_AS_WRITTEN if date.casefold() in folded]


def study() -> list[Dataset]:
    """Two images of the animal."""
    images = small_study(reason=WORDS["reason"])
    for image in images:
        image.PatientName = f"{WORDS['name']}^Ötzi"
        image.PatientID = WORDS["patient ID"]
        image.PatientBirthDate = WORDS["birth date"]
        image.ResponsiblePerson = f"{WORDS['owner']}^Änne"
        image.AccessionNumber = WORDS["accession number"]
        image.PatientComments = image.ImageComments = WORDS["comments"]
    return images


def renamed(image: Dataset) -> Dataset:
    """The same object under the same UID, of another animal."""
    other = deepcopy(image)
    other.PatientName = WORDS["other name"]
    return other


def beside(image: Dataset) -> Dataset:
    """One more object of the study, which says that it is of another animal."""
    other = renamed(image)
    other.PatientID += "-2"
    return _anew(other)


def misspelt() -> list[Dataset]:
    """A study in which what is said is not what its place in the header takes."""
    images = study()
    for image in images:
        for keyword, kind, value in (
            ("PatientBirthDate", "DA", WORDS["written birth date"]),
            ("PatientName", "PN", f"{WORDS['name']}^" * 40),
            ("PatientID", "LO", f"{WORDS['patient ID']} " * 20),
            ("PatientAge", "AS", WORDS["weight"]),
            ("PatientWeight", "DS", WORDS["weight"]),
            ("PatientSex", "CS", WORDS["weight"]),
            ("StudyDate", "DA", WORDS["written birth date"]),
            ("SpecificCharacterSet", "CS", WORDS["comments"]),
            ("PatientSpeciesDescription", "LO", WORDS["comments"] * 9),
        ):
            _put(image, keyword, kind, value)
    return images


def misspelt_uid() -> Dataset:
    """An image whose study has a name in place of its UID."""
    image = study()[0]
    _put(image, "StudyInstanceUID", "UI", WORDS["a UID that is none"])
    return image


def broken_pixels() -> Dataset:
    """An image that is no image inside."""
    image = study()[0]
    image.file_meta.TransferSyntaxUID = JPEG2000Lossless
    image.PixelData = encapsulate([WORDS["pixels"].encode() * 3])
    image["PixelData"].VR = "OB"
    return image


def earlier_study() -> list[Dataset]:
    """What an archive has of the animal, with a header that is hard to read."""
    images = study()
    for image in images:
        image.StudyDate = "20240105"
        image.StudyDescription = WORDS["earlier study"]
        _put(image, "PatientAge", "AS", WORDS["earlier study"])
    return images


def _put(image: Dataset, keyword: str, kind: str, text: str) -> None:
    """Write a value as it is, whatever the rules for it are."""
    data = text.encode() + b" " * (len(text) % 2)
    tag = Tag(keyword)
    image[tag] = RawDataElement(tag, kind, len(data), data, 0, False, True)


def _anew(image: Dataset) -> Dataset:
    image.SOPInstanceUID = image.file_meta.MediaStorageSOPInstanceUID = generate_uid(prefix=None)
    return image


@contextlib.contextmanager
def anything_may_be_written() -> Iterator[None]:
    """The library writes values that break the rules, without a word."""
    before = config.settings.writing_validation_mode
    config.settings.writing_validation_mode = config.IGNORE
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    finally:
        config.settings.writing_validation_mode = before


def sent(images: Sequence[Dataset], port: int) -> list[int]:
    """The statuses that a camera hears."""
    camera = AE(ae_title="CAMERA")
    for image in images:
        camera.add_requested_context(image.SOPClassUID, image.file_meta.TransferSyntaxUID)
    association = camera.associate("127.0.0.1", port, ae_title="SESAMOID")
    assert association.is_established
    try:
        return [association.send_c_store(image).Status for image in images]
    finally:
        association.release()


def stored_over_web(reader: ReaderClient, parts: Sequence[bytes]) -> int:
    """The status of a STOW request with these files."""
    body = b"".join(
        b"--cut\r\nContent-Type: application/dicom\r\n\r\n" + part + b"\r\n" for part in parts
    )
    request = urllib.request.Request(
        reader.address + "dicomweb/studies",
        data=body + b"--cut--\r\n",
        headers={
            "Content-Type": 'multipart/related; type="application/dicom"; boundary=cut',
            "X-Sesamoid-Token": reader._token,
        },
    )
    try:
        with reader._opener.open(request, timeout=60) as answer:
            return int(answer.status)
    except urllib.error.HTTPError as error:
        error.close()
        return error.code


def as_file(image: Dataset) -> bytes:
    """A DICOM file."""
    buffer = BytesIO()
    image.save_as(buffer, enforce_file_format=True)
    return buffer.getvalue()


def asked(reader: ReaderClient, path: str, method: str = "GET", body: object = None) -> int:
    """The status of an answer, good or bad."""
    try:
        if method == "GET":
            reader.download(path)
        else:
            reader.request(method, path, body)
    except urllib.error.HTTPError as error:
        error.close()
        return error.code
    except RequestRefused as refused:
        return refused.status
    return 200


def worded(reading: Reading) -> Reading:
    """The reading with the reader's own words in it."""
    findings = tuple(
        finding.model_copy(update={"note": WORDS["finding"]}) for finding in reading.findings
    )
    texts = {"findings": findings, "impression": WORDS["impression"]}
    return reading.model_copy(update=texts | {"history": WORDS["reason"]})


def signed_with(reader: ReaderClient, uid: str) -> int:
    """Sign what is saved now; the status."""
    body = {"version": reader.open(uid)["version"], "password": PASSWORD}
    return asked(reader, f"api/studies/{uid}/sign", "POST", body)
