"""Validates the documents of a folder (NAME.KIND.json) against its schemas (KIND.schema.json) with `jsonschema`."""

import json
import pathlib
import sys

import jsonschema

folder = pathlib.Path(sys.argv[1])
count = 0
for kind in ("audit", "gate"):
    schema = json.loads((folder / f"{kind}.schema.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    for path in sorted(folder.glob(f"*.{kind}.json")):
        document = json.loads(path.read_text(encoding="utf-8"))
        for error in validator.iter_errors(document):
            sys.exit(f"{path.name}: {error.json_path}: {error.message}")
        count += 1
        document["schema"] = 1
        if validator.is_valid(document):
            sys.exit(f"{path.name}: the validator accepts anything")
print(f"{count} documents valid; a wrong document is refused")
