"""Drops images of studies that are done, when the archive says that it has them."""

import logging
import threading
from datetime import UTC, datetime, timedelta

from pydicom.dataset import Dataset

from dicom_service.errors import PeerAway, SesamoidError
from dicom_service.node.echo import call, calling_entity
from dicom_service.node.services import UNCOMPRESSED, plain
from dicom_service.roster import Roster
from dicom_service.settings import Peer, Settings
from dicom_service.store import Store

log = logging.getLogger(__name__)
_FIND = "1.2.840.10008.5.1.4.1.2.2.1"
_EVERY_SECONDS = 3600.0
_AT_ONCE = 50
_MOST_ANSWERS = 20_000
_PENDING = (0xFF00, 0xFF01)


class RetentionKeeper:
    """A thread that looks once an hour; it does nothing unless `drop_images_days` is set."""

    def __init__(self, settings: Settings, store: Store, roster: Roster) -> None:
        self._settings = settings
        self._roster = roster
        self._store = store
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="retention", daemon=True)

    def start(self) -> None:
        """Begin, if there is anything to do."""
        if self._settings.drop_images_days:
            self._thread.start()

    def stop(self) -> None:
        """Stop after the study in hand."""
        self._stopping.set()
        if self._thread.ident is not None:
            self._thread.join()

    def _run(self) -> None:
        while True:
            try:
                self.turn(datetime.now(UTC))
            except SesamoidError as error:
                log.warning("no images are dropped: %s", error)
            except Exception:
                log.exception("images could not be dropped")
            if self._stopping.wait(_EVERY_SECONDS):
                return

    def turn(self, now: datetime) -> int:
        """Drop what may be dropped; returns the number of images.

        Raises
        ------
        PeerAway
            The archive does not say what it has.
        """
        before = now - timedelta(days=self._settings.drop_images_days)
        due = self._store.droppable_studies(before, _AT_ONCE)
        dropped = 0
        for study_uid in due:
            site = self._store.site_of(study_uid) or ""
            roster = self._roster.at(site)
            peer = roster.peer(roster.archive)
            if self._stopping.is_set():
                break
            if peer is None:
                continue
            series = {one.series_uid for one in self._store.instances(study_uid) if not one.own}
            held = listed(peer, self._settings.at(site), study_uid, sorted(series))
            count = self._store.drop_images(study_uid, held)
            if not count:
                log.info("study %s stays: %s does not list all its images", study_uid, peer.name)
            dropped += count
        return dropped


def listed(peer: Peer, settings: Settings, study_uid: str, series: list[str]) -> set[str]:
    """SOP Instance UIDs that a peer lists for these series (C-FIND, Study Root, IMAGE level).

    Raises
    ------
    PeerAway
        No association, or the answer does not come to its end.
    """
    entity = calling_entity(settings.ae_title, settings.peer_timeout_seconds)
    entity.add_requested_context(_FIND, list(UNCOMPRESSED))
    association = call(entity, peer, settings.tls)
    found: set[str] = set()
    try:
        for series_uid in series:
            keys = Dataset()
            keys.QueryRetrieveLevel = "IMAGE"
            keys.StudyInstanceUID, keys.SeriesInstanceUID = study_uid, series_uid
            keys.SOPInstanceUID = ""
            last = None
            for status, answer in association.send_c_find(keys, _FIND):
                last = status.get("Status")
                if last in _PENDING and answer is not None and len(found) < _MOST_ANSWERS:
                    found.add(str(answer.get("SOPInstanceUID", "")))
            if last != 0x0000:
                said = "nothing" if last is None else f"0x{last:04X}"
                raise PeerAway(f"{plain(peer.name)} was asked for its images and said {said}.")
    except (ValueError, RuntimeError) as error:
        raise PeerAway(f"{plain(peer.name)} does not say which images it has.") from error
    finally:
        if association.is_established:
            association.release()
    return found
