"""Short words for what is put into a journal, and what is there after a crash."""

import hashlib
import shutil

from dicom_service.store import Store


def take(kit, uid, data=b"pixels", store=None, **options):
    digest = hashlib.sha256(data).hexdigest()
    return (store or kit.store).accept_bytes(
        data, kit.header(uid), source="CAMERA", digest=digest, **options
    )


def crash(kit, tmp_path, name="crashed"):
    """The folder as a process that was killed now would leave it."""
    return shutil.copytree(kit.folder, tmp_path / name)


def there(kit, folder):
    store = Store(folder)
    try:
        swept = store.sweep()
        assert (swept.blobs_without_rows, swept.rows_without_blobs) == (0, 0)
        return {i.sop_instance_uid: i.path.read_bytes() for i in store.instances(kit.study)}
    finally:
        store.close()


def damage(file, data, offset=0):
    content = bytearray(file.read_bytes())
    at = content.find(data) + offset
    content[at] ^= 1
    file.write_bytes(content)


def there_now(kit):
    return {i.sop_instance_uid: i.path.read_bytes() for i in kit.store.instances(kit.study)}
