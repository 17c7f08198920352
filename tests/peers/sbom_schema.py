"""Holds the list of what is in the programs against the published schema of CycloneDX 1.5.

    python sbom_schema.py FILE
"""
import sys

from cyclonedx.schema import SchemaVersion
from cyclonedx.validation.json import JsonStrictValidator

problem = JsonStrictValidator(SchemaVersion.V1_5).validate_str(open(sys.argv[1]).read())
assert problem is None, problem
print("the published schema finds nothing wrong")
