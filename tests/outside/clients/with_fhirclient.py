"""fhirclient against a running Terce: with_fhirclient.py BASE. Its models refuse what is no R4 in an answer.

Ends with 0 if every step is as it should be.
"""

import sys
import warnings

import requests
from fhirclient.client import FHIRClient
from fhirclient.models.bundle import Bundle
from fhirclient.models.encounter import Encounter
from fhirclient.models.operationoutcome import OperationOutcome
from fhirclient.models.patient import Patient
from fhirclient.models.procedure import Procedure
from fhirclient.server import FHIRNotFoundException

warnings.simplefilter("ignore", DeprecationWarning)
BASE = sys.argv[1]
SYSTEM = "urn:made-up:fhirclient"
server = FHIRClient(settings={"app_id": "terce-tests", "api_base": BASE}).server


def refused(status, act):
    try:
        act()
    except FHIRNotFoundException:
        assert status == 404, status
    except requests.HTTPError as error:
        assert error.response.status_code == status, error.response.text
        return OperationOutcome(error.response.json())
    else:
        raise AssertionError(f"not refused with {status}")


# capability, read into the model
statement = server.capabilityStatement
assert statement.fhirVersion == "4.0.1" and statement.kind == "instance", statement.as_json()
offered = {r.type: {i.code for i in r.interaction} for r in statement.rest[0].resource}
assert {"create", "read", "update", "delete", "vread", "history-instance", "search-type"} <= offered["Procedure"], offered
assert "create" not in offered["Task"] and "update" in offered["Task"], offered

# create, read, update
patient = Patient({"name": [{"family": "Madeup", "given": ["Otto"]}], "identifier": [{"system": SYSTEM, "value": "1"}]})
made = Patient(patient.create(server))
assert made.id and made.meta.versionId == "1", made.as_json()
read = Patient.read(made.id, server)
assert read.name[0].family == "Madeup"
read.gender = "male"
assert Patient(read.update(server)).meta.versionId == "2"

# update as create
stay = Encounter({"id": "fhirclient-stay", "status": "in-progress", "class": {"code": "IMP"}, "subject": {"reference": f"Patient/{made.id}"}})
assert Encounter(stay.update(server)).meta.versionId == "1"

# transaction: references inside it are written out
care = {
    "resourceType": "Procedure", "status": "completed", "subject": {"reference": "urn:uuid:0c2f1d1e-0000-4000-8000-00000000000a"},
    "code": {"coding": [{"system": "https://terce.example/fhir/CodeSystem/activity", "code": "tooth-brushing"}]},
    "performedDateTime": "2026-01-02T03:04:05+01:00",
}
other = {"resourceType": "Patient", "identifier": [{"system": SYSTEM, "value": "2"}]}
bundle = Bundle({"type": "transaction", "entry": [
    {"fullUrl": "urn:uuid:0c2f1d1e-0000-4000-8000-00000000000b", "resource": care, "request": {"method": "POST", "url": "Procedure"}},
    {"fullUrl": "urn:uuid:0c2f1d1e-0000-4000-8000-00000000000a", "resource": other, "request": {"method": "POST", "url": "Patient"}},
]})
# the library would send it to [base]/Bundle or [base]/; the latter is the place of a transaction
answer = Bundle(server.post_json("", bundle.as_json()).json())
assert answer.type == "transaction-response" and [e.response.status for e in answer.entry] == ["201", "201"], answer.as_json()
procedure = Procedure.read_from(answer.entry[0].response.location, server)
assert procedure.subject.reference == answer.entry[1].response.location.split("/_history")[0], procedure.as_json()

# search: by identifier, and page by page
found = list(Patient.where({"identifier": f"{SYSTEM}|1"}).perform_resources_iter(server))
assert [p.id for p in found] == [made.id], found
for number in range(26):
    charted = Procedure({
        "status": "completed", "subject": {"reference": f"Patient/{made.id}"}, "encounter": {"reference": "Encounter/fhirclient-stay"},
        "performedDateTime": f"2026-01-02T03:04:{number:02}Z",
    })
    charted.create(server)
pages = list(Procedure.where({"patient": made.id, "_count": "10"}).perform_iter(server))
assert [len(p.entry) for p in pages] == [10, 10, 6], [len(p.entry) for p in pages]
assert len({e.resource.id for p in pages for e in p.entry}) == 26

# history and version
history = Bundle.read_from(f"Patient/{made.id}/_history", server)
assert history.type == "history" and [e.response.status for e in history.entry] == ["200", "201"], history.as_json()
assert Patient.read_from(f"Patient/{made.id}/_history/1", server).gender is None

# refusals are OperationOutcomes that its model reads
wrong = refused(400, lambda: server.post_json("Procedure", {"resourceType": "Procedure", "status": "done"}))
assert wrong.issue[0].code == "code-invalid" and wrong.issue[0].expression == ["Procedure.status"], wrong.as_json()
refused(405, lambda: server.post_json("DetectedIssue", {"resourceType": "DetectedIssue", "status": "final"}))

# delete
stay.delete(server)
refused(410, lambda: Encounter.read("fhirclient-stay", server))
refused(404, lambda: Encounter.read("fhirclient-nothing", server))
