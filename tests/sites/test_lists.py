"""Lists of some of the sites are those of all, without the others, in the same order."""

import pytest

from dicom_service.store import ListQuery
from dicom_service.store.listing import _COUNTED_STAGES
from tests.store.conftest import Kit

SITES = ("", "north", "south")


@pytest.fixture(scope="module")
def kit(tmp_path_factory, index_url):
    made = Kit(tmp_path_factory.mktemp("lists"), index_url)
    for number in range(30):
        study = f"1.2.{number}"
        header = made.header(f"1.9.{number}", study=study, patient_name="Rex", patient_id="P1")
        site = SITES[number * 7 % 3]
        made.store.accept(made.temp(bytes([number])), header, source="c", site=site)
        if number % 4:
            made.prepare(study)
        if number % 4 == 2:
            made.save("x", study)
    yield made
    made.store.close()


@pytest.mark.parametrize("sites", [("north",), ("", "south"), ("north", "south"), (), SITES])
@pytest.mark.parametrize("stage", ["", *_COUNTED_STAGES])
@pytest.mark.parametrize("text", ["", "rex"])
def test_a_page_of_some_sites(kit, sites, stage, text):
    everything = kit.store.listed(ListQuery(stage=stage, text=text), 100)
    wanted = [row.study_uid for row in everything if row.site in sites]
    query = ListQuery(stage=stage, text=text, sites=sites)
    found: list[str] = []
    for start in range(0, 32, 4):
        found += [row.study_uid for row in kit.store.listed(query, 4, start)]
    assert found == wanted
    assert kit.store.count_listed(query) == len(wanted)
    if stage:
        assert kit.store.stages(sites)[stage] == kit.store.count_listed(
            ListQuery(stage=stage, sites=sites)
        )


def test_studies_of_some_sites_come_in_the_same_order(kit):
    everything = kit.store.studies(patient_id="P1")
    for sites in (("north",), ("", "south"), ()):
        wanted = [row.study_uid for row in everything if row.site in sites]
        found = [
            row.study_uid
            for start in range(0, 32, 4)
            for row in kit.store.studies(patient_id="P1", sites=sites, limit=4, offset=start)
        ]
        assert found == wanted
        assert kit.store.count_studies(patient_id="P1", sites=sites) == len(wanted)
