#!/usr/bin/env python3
"""What is in the programs, as CycloneDX 1.5 JSON on stdout: from `cargo metadata`, without tests' and build tools' own packages.

    python3 supervisor/packaging/sbom.py
    python3 supervisor/packaging/sbom.py --check FILE     whether a file is as the format says
"""
import hashlib
import json
import re
import subprocess
import sys

PROGRAMS = ("setward", "sim-plc")


def metadata():
    target = subprocess.run(["rustc", "-vV"], check=True, capture_output=True, text=True).stdout
    target = re.search(r"^host: (\S+)", target, re.M).group(1)
    asked = ["cargo", "metadata", "--format-version", "1", "--locked", "--filter-platform", target]
    return json.loads(subprocess.run(asked, check=True, capture_output=True, text=True).stdout)


def used(found):
    """Package ids that the programs are built of, by dependencies that are neither for tests nor for building."""
    nodes = {node["id"]: node for node in found["resolve"]["nodes"]}
    names = {package["id"]: package["name"] for package in found["packages"]}
    waiting = [id for id in found["workspace_members"] if names[id] in PROGRAMS]
    seen = set()
    while waiting:
        id = waiting.pop()
        if id in seen:
            continue
        seen.add(id)
        for dependency in nodes[id]["deps"]:
            if any(kind["kind"] is None for kind in dependency["dep_kinds"]):
                waiting.append(dependency["pkg"])
    return seen, nodes


def reference(package):
    return f"pkg:cargo/{package['name']}@{package['version']}"


def checksums():
    """From Cargo.lock: by name and version."""
    text = open("Cargo.lock").read()
    block = re.compile(r'name = "([^"]+)"\nversion = "([^"]+)"\nsource = "[^"]+"\nchecksum = "([0-9a-f]{64})"')
    return {(name, version): sum for name, version, sum in block.findall(text)}


def component(package, sums):
    own = package["source"] is None
    made = {
        "type": "application" if package["name"] in PROGRAMS else "library",
        "bom-ref": reference(package),
        "name": package["name"],
        "version": package["version"],
        "purl": reference(package),
        "scope": "required",
    }
    if package.get("description"):
        made["description"] = " ".join(package["description"].split())
    if package.get("license"):
        made["licenses"] = [{"expression": package["license"].replace("/", " OR ")}]
    if not own:
        made["hashes"] = [{"alg": "SHA-256", "content": sums[package["name"], package["version"]]}]
    return made


def bill():
    found = metadata()
    ids, nodes = used(found)
    packages = {package["id"]: package for package in found["packages"] if package["id"] in ids}
    sums = checksums()
    components = sorted((component(package, sums) for package in packages.values()), key=lambda one: one["bom-ref"])
    links = []
    for id in ids:
        on = {dep["pkg"] for dep in nodes[id]["deps"] if dep["pkg"] in ids and any(kind["kind"] is None for kind in dep["dep_kinds"])}
        links.append({"ref": reference(packages[id]), "dependsOn": sorted(reference(packages[one]) for one in on)})
    version = next(package["version"] for package in packages.values() if package["name"] == "setward")
    main = {"type": "application", "bom-ref": "setward", "name": "setward", "version": version}
    links.append({"ref": "setward", "dependsOn": [f"pkg:cargo/{name}@{version}" for name in PROGRAMS]})
    # The same sources give the same number.
    digest = hashlib.sha256(json.dumps([components, links], sort_keys=True).encode()).hexdigest()
    serial = f"{digest[:8]}-{digest[8:12]}-5{digest[13:16]}-8{digest[17:20]}-{digest[20:32]}"
    return {
        "bomFormat": "CycloneDX",
        "specVersion": "1.5",
        "serialNumber": f"urn:uuid:{serial}",
        "version": 1,
        "metadata": {"component": main},
        "components": components,
        "dependencies": sorted(links, key=lambda one: one["ref"]),
    }


def check(path):
    """What the published schema of the format asks of the parts that we use."""
    made = json.load(open(path))
    assert set(made) <= {"bomFormat", "specVersion", "serialNumber", "version", "metadata", "components", "dependencies"}, set(made)
    assert (made["bomFormat"], made["specVersion"]) == ("CycloneDX", "1.5")
    assert re.fullmatch(r"urn:uuid:[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", made["serialNumber"]), made["serialNumber"]
    assert isinstance(made["version"], int) and made["version"] >= 1
    known = {"type", "bom-ref", "name", "version", "purl", "scope", "description", "licenses", "hashes"}
    references = [made["metadata"]["component"]["bom-ref"]]
    for one in made["components"]:
        assert set(one) <= known and one["type"] in ("application", "library") and one["name"], one
        for sum in one.get("hashes", []):
            assert sum["alg"] == "SHA-256" and re.fullmatch(r"[0-9a-f]{64}", sum["content"]), one
        assert all(set(licence) == {"expression"} for licence in one.get("licenses", [])), one
        references.append(one["bom-ref"])
    assert len(references) == len(set(references)), "a reference stands twice"
    for link in made["dependencies"]:
        assert link["ref"] in references and set(link["dependsOn"]) <= set(references), link
        assert len(link["dependsOn"]) == len(set(link["dependsOn"])), link
    unlicensed = [one["bom-ref"] for one in made["components"] if "licenses" not in one]
    assert not unlicensed, unlicensed
    print(f"CycloneDX {made['specVersion']}: {len(made['components'])} components, {len(made['dependencies'])} with what they depend on")


if sys.argv[1:2] == ["--check"]:
    check(sys.argv[2])
else:
    json.dump(bill(), sys.stdout, indent=1, sort_keys=True)
    print()
