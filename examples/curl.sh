#!/usr/bin/env bash
# A plan, its log entry and a retry with curl. Usage: examples/curl.sh BASE-URL REQUEST.json FOLDER
# What was answered is left in FOLDER. The request becomes an entry of the service's log.
set -euo pipefail
base=${1:?BASE-URL} request=${2:?REQUEST.json} out=${3:?FOLDER}
fhir='Content-Type: application/fhir+json'
apply="$base/fhir/PlanDefinition/sick-young-infant/\$apply"
key="Idempotency-Key: \"$(od -An -N16 -tx1 /dev/urandom | tr -d ' \n')\""
mkdir -p "$out"

curl -sf -o "$out/metadata.json" "$base/fhir/metadata"
curl -sf -o "$out/questionnaire.json" "$base/fhir/Questionnaire/sick-young-infant-questions"

curl -sf -D "$out/headers" -o "$out/plan.json" -H "$fhir" -H "$key" --data-binary "@$request" "$apply"
# The same key and the same body: the stored answer again, and no second entry.
curl -sf -D "$out/headers-again" -o "$out/again.json" -H "$fhir" -H "$key" --data-binary "@$request" "$apply"
cmp "$out/plan.json" "$out/again.json"

index=$(sed -n 's/^cds-log-index: *//Ip' "$out/headers" | tr -d '\r')
sed -n 's/^cds-log-checkpoint: *//Ip' "$out/headers" | tr -d '\r' | base64 -d > "$out/checkpoint"
curl -sf -o "$out/proof" "$base/log/proof/inclusion/$index"
curl -sf -o "$out/event.json" "$base/fhir/AuditEvent/log-$index"
echo "Entry $index; the plan is in $out/plan.json. Keep $out/checkpoint: it is your witness."
