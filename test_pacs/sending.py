"""A camera: sends objects to any storage AE by C-STORE."""

from collections.abc import Sequence

from pydicom.dataset import Dataset
from pynetdicom import AE


def send(datasets: Sequence[Dataset], port: int, ae_title: str, host: str = "127.0.0.1") -> None:
    """Send every dataset over one association.

    Raises
    ------
    ConnectionError
        No association, or an object was not accepted.
    """
    entity = AE(ae_title="CAMERA")
    wanted = {(d.SOPClassUID, d.file_meta.TransferSyntaxUID) for d in datasets}
    for sop_class, syntax in sorted(wanted):
        entity.add_requested_context(sop_class, syntax)
    association = entity.associate(host, port, ae_title=ae_title)
    if not association.is_established:
        raise ConnectionError(f"{ae_title} at {host}:{port} does not accept an association")
    try:
        for dataset in datasets:
            status = association.send_c_store(dataset)
            if not status or status.Status != 0:
                code = f"0x{status.Status:04X}" if status else "no answer"
                raise ConnectionError(f"{ae_title} refused {dataset.SOPInstanceUID}: {code}")
    finally:
        association.release()
