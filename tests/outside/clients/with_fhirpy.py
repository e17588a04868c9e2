"""fhirpy against a running Terce: with_fhirpy.py BASE. Ends with 0 if every step is as it should be."""

import sys

from fhirpy import SyncFHIRClient
from fhirpy.base.exceptions import MultipleResourcesFound, OperationOutcome, ResourceNotFound

BASE = sys.argv[1]
SYSTEM = "urn:made-up:fhirpy"
client = SyncFHIRClient(BASE)


def refused(expected, act):
    try:
        act()
    except expected as error:
        return error
    raise AssertionError(f"not refused with {expected.__name__}")


# create: the id and the version are the server's
patient = client.resource("Patient", name=[{"family": "Madeup", "given": ["Ina"]}], identifier=[{"system": SYSTEM, "value": "1"}])
patient.save()
assert patient.id and patient.meta.versionId == "1", patient

# read, and resolve a reference
assert client.reference("Patient", patient.id).to_resource().name[0].family == "Madeup"

# update
patient["gender"] = "female"
patient.save()
assert patient.meta.versionId == "2" and patient.gender == "female", patient

# update as create, under the client's id
place = client.resource("Location", id="fhirpy-bed", name="Bed 7")
place.save()
assert place.id == "fhirpy-bed" and place.meta.versionId == "1", place

# conditional create: found the second time, refused when several fit
devices = client.resources("Device")
first, made = devices.search(identifier=f"{SYSTEM}|pump").get_or_create(
    client.resource("Device", identifier=[{"system": SYSTEM, "value": "pump"}])
)
again, made_again = devices.search(identifier=f"{SYSTEM}|pump").get_or_create(
    client.resource("Device", identifier=[{"system": SYSTEM, "value": "pump"}])
)
assert made and not made_again and first.id == again.id, (first, again)

# conditional update
inactive = client.resource("Device", identifier=[{"system": SYSTEM, "value": "pump"}], status="inactive")
changed, made = devices.search(identifier=f"{SYSTEM}|pump").update(inactive)
assert not made and changed.id == first.id and changed.status == "inactive", changed
client.resource("Device", identifier=[{"system": SYSTEM, "value": "pump"}]).save()
refused(MultipleResourcesFound, lambda: devices.search(identifier=f"{SYSTEM}|pump").update(inactive))

# search: one, none, how many, and page by page
found = client.resources("Patient").search(identifier=f"{SYSTEM}|1").get()
assert found.id == patient.id, found
assert client.resources("Patient").search(identifier=f"{SYSTEM}|none").first() is None
for number in range(26):
    client.resource(
        "Observation", status="final", code={"text": "made up"}, subject=patient.to_reference(),
        effectiveDateTime="2026-01-02T03:04:05Z", identifier=[{"system": SYSTEM, "value": f"o{number}"}],
    ).save()
charted = client.resources("Observation").search(patient=patient.id)
assert charted.count() == 26, charted.count()
pages = charted.limit(10).fetch_all()
assert len(pages) == 26 and len({o.id for o in pages}) == 26, len(pages)
assert len(charted.limit(10).fetch()) == 10

# batch
bundle = client.resource(
    "Bundle", type="batch",
    entry=[
        {"request": {"method": "GET", "url": f"Patient/{patient.id}"}},
        {"request": {"method": "PUT", "url": "Location/fhirpy-room"}, "resource": {"resourceType": "Location", "id": "fhirpy-room"}},
        {"request": {"method": "GET", "url": "Patient/fhirpy-nobody"}},
    ],
)
answer = client.execute("", method="post", data=bundle.serialize())
assert [e.response.status for e in answer.entry] == ["200", "201", "404"], answer

# history and version
history = client.execute(f"Patient/{patient.id}/_history", method="get")
assert history.type == "history" and [e.resource.meta.versionId for e in history.entry] == ["2", "1"], history
assert "gender" not in client.execute(f"Patient/{patient.id}/_history/1", method="get")

# what is wrong is said as an OperationOutcome
wrong = refused(OperationOutcome, client.resource("Observation", status="done", code={"text": "x"}).save)
assert wrong.resource["issue"][0]["code"] == "code-invalid" and wrong.resource["issue"][0]["expression"] == ["Observation.status"], wrong

# delete
place.delete()
refused(ResourceNotFound, lambda: client.reference("Location", "fhirpy-bed").to_resource())

# capability
statement = client.execute("metadata", method="get")
assert statement.resourceType == "CapabilityStatement" and statement.fhirVersion == "4.0.1", statement
