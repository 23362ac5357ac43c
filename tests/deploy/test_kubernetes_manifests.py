"""The manifests against Kubernetes' own published schemas (package kubernetes-validate), and against what they promise.

ServiceMonitor and PodMonitor are custom resources, which that package does not have: the fields that are used here are
held to the Prometheus operator's API reference (monitoring.coreos.com/v1). Its PrometheusRule is looked at in
test_prometheus_rules.py.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import kubernetes_validate
import pytest
import yaml

from noonmark.agent import config as agent_config
from noonmark.agent.config import METRICS_PORT, PROBE_PORT
from noonmark.collector import config as collector_config
from noonmark.collector.config import HTTP_PORT, REPORT_PORT
from noonmark.proto.options import Option
from noonmark.proto.version import VERSION

FOLDER = Path(__file__).parents[2] / "deploy" / "kubernetes"
CUSTOM = "monitoring.coreos.com/v1"
VERSIONS = ("1.29", "1.33", kubernetes_validate.latest_version())
ENDPOINT = {"port", "path", "honorLabels", "scheme", "interval", "authorization", "tlsConfig"}
TLS = {"serverName", "ca"}


def documents() -> list[dict[str, Any]]:
    found = []
    for path in sorted(FOLDER.glob("*.yaml")):
        if path.name != "kustomization.yaml":
            found += [document for document in yaml.safe_load_all(path.read_text()) if document]
    return found


def one(kind: str, name: str) -> dict[str, Any]:
    (found,) = [item for item in documents() if item["kind"] == kind and item["metadata"]["name"] == name]
    return found


WORKLOADS = (("DaemonSet", "noonmark-agent"), ("StatefulSet", "noonmark-collector"))


def pod(kind: str, name: str) -> dict[str, Any]:
    spec: dict[str, Any] = one(kind, name)["spec"]["template"]["spec"]
    return spec


@pytest.mark.parametrize("version", VERSIONS)
def test_every_document_fits_the_published_schema(version: str) -> None:
    checked = 0
    for document in documents():
        if document["apiVersion"] != CUSTOM:
            kubernetes_validate.validate(document, version, strict=True)
            checked += 1
    assert checked >= 9


def test_the_schema_checker_can_say_no() -> None:
    wrong = one("DaemonSet", "noonmark-agent")
    wrong["spec"]["template"]["spec"]["hostNetworks"] = True
    with pytest.raises(kubernetes_validate.ValidationError):
        kubernetes_validate.validate(wrong, VERSIONS[-1], strict=True)


def test_monitors_use_only_fields_of_the_operators_reference() -> None:
    monitors = [item for item in documents() if item["apiVersion"] == CUSTOM and item["kind"] != "PrometheusRule"]
    assert [item["kind"] for item in monitors] == ["ServiceMonitor", "PodMonitor"]
    for monitor in monitors:
        ends = "endpoints" if monitor["kind"] == "ServiceMonitor" else "podMetricsEndpoints"
        assert set(monitor["spec"]) == {"selector", ends}
        for endpoint in monitor["spec"][ends]:
            assert set(endpoint) <= ENDPOINT
            assert set(endpoint["tlsConfig"]) <= TLS
            assert endpoint["scheme"] == "https"


def test_kustomization_names_every_file() -> None:
    told = yaml.safe_load((FOLDER / "kustomization.yaml").read_text())
    assert (told["apiVersion"], told["kind"]) == ("kustomize.config.k8s.io/v1beta1", "Kustomization")
    assert set(told["resources"]) == {path.name for path in FOLDER.glob("*.yaml")} - {"kustomization.yaml"}
    for made in told["configMapGenerator"]:
        assert all((FOLDER / file).is_file() for file in made["files"])
    assert {image["newTag"] for image in told["images"]} == {VERSION}


@pytest.mark.parametrize(("kind", "name"), WORKLOADS)
def test_pods_are_restricted(kind: str, name: str) -> None:
    """The level `restricted` of the Pod Security Standards, but for the agents' host network and node folder."""
    spec = pod(kind, name)
    assert spec["automountServiceAccountToken"] is False
    security = spec["securityContext"]
    assert security["runAsNonRoot"] is True
    assert security["runAsUser"] > 1000
    assert security["seccompProfile"] == {"type": "RuntimeDefault"}
    for container in spec["containers"]:
        own = container["securityContext"]
        assert own["allowPrivilegeEscalation"] is False
        assert own["readOnlyRootFilesystem"] is True
        assert own["capabilities"] == {"drop": ["ALL"]}
        assert "memory" in container["resources"]["limits"]
        for probe in ("startupProbe", "livenessProbe", "readinessProbe"):
            assert container[probe]["httpGet"]["path"] == ("/readyz" if probe == "readinessProbe" else "/healthz")
    hosts = [volume for volume in spec["volumes"] if "hostPath" in volume]
    assert bool(spec.get("hostNetwork")) is (kind == "DaemonSet")
    assert [volume["hostPath"]["path"] for volume in hosts] == (
        ["/etc/noonmark/identity"] if kind == "DaemonSet" else []
    )


@pytest.mark.parametrize(
    ("kind", "name", "options"),
    [
        ("DaemonSet", "noonmark-agent", agent_config.OPTIONS),
        ("StatefulSet", "noonmark-collector", collector_config.OPTIONS),
    ],
)
def test_arguments_are_options_that_exist(kind: str, name: str, options: tuple[Option, ...]) -> None:
    known = {option.name: option for option in options}
    for container in pod(kind, name)["containers"]:
        for argument in container["args"]:
            key, equals, value = argument.removeprefix("--").partition("=")
            assert argument.startswith("--"), argument
            assert equals, argument
            if key != "config":
                known[key].parse(value.replace("$(NODE_ADDRESS)", "192.0.2.7"))
        prefix = agent_config.PREFIX if kind == "DaemonSet" else collector_config.PREFIX
        for variable in container.get("env", ()):
            if variable["name"].startswith(prefix):
                assert variable["name"].removeprefix(f"{prefix}_").lower().replace("_", "-") in known


def test_ports_agree() -> None:
    agent = {item["name"]: item for item in pod("DaemonSet", "noonmark-agent")["containers"][0]["ports"]}
    assert {name: item["containerPort"] for name, item in agent.items()} == {
        "probes": PROBE_PORT,
        "metrics": METRICS_PORT,
    }
    assert agent["probes"]["protocol"] == "UDP"
    ports = {"grpc": REPORT_PORT, "http": HTTP_PORT}
    collector = pod("StatefulSet", "noonmark-collector")["containers"][0]["ports"]
    assert {item["name"]: item["containerPort"] for item in collector} == ports
    labels = one("StatefulSet", "noonmark-collector")["spec"]["template"]["metadata"]["labels"]
    for service in ("noonmark-collector", "noonmark"):
        spec = one("Service", service)["spec"]
        assert {item["targetPort"]: item["port"] for item in spec["ports"]} == ports
        assert spec["selector"].items() <= labels.items()
    policy = one("NetworkPolicy", "noonmark-collector")["spec"]
    assert policy["podSelector"]["matchLabels"].items() <= labels.items()
    assert {port["port"] for rule in policy["ingress"] for port in rule["ports"]} == set(ports)
    assert policy["egress"] == []


def test_agents_know_every_collector() -> None:
    replicas = one("StatefulSet", "noonmark-collector")["spec"]["replicas"]
    arguments = pod("DaemonSet", "noonmark-agent")["containers"][0]["args"]
    named = [argument.split("=")[1] for argument in arguments if argument.startswith("--collector=")]
    assert named == [f"noonmark-collector-{n}.noonmark-collector.noonmark.svc:{REPORT_PORT}" for n in range(replicas)]


def mounted(kind: str, name: str) -> dict[str, str]:
    """Folder in the container -> secret behind it."""
    spec = pod(kind, name)
    secrets = {volume["name"]: volume["secret"]["secretName"] for volume in spec["volumes"] if "secret" in volume}
    mounts = spec["containers"][0]["volumeMounts"]
    return {mount["mountPath"]: secrets[mount["name"]] for mount in mounts if mount["name"] in secrets}


def arguments(kind: str, name: str) -> dict[str, Path]:
    pairs = (argument.removeprefix("--").split("=", 1) for argument in pod(kind, name)["containers"][0]["args"])
    return {key: Path(value) for key, value in pairs}


def test_agents_show_their_pages_under_a_servers_certificate_and_not_under_their_identity() -> None:
    """A host's identity is for clients only (tests/collector/test_authority.py): RFC 5280, 4.2.1.12."""
    given, secrets = arguments("DaemonSet", "noonmark-agent"), mounted("DaemonSet", "noonmark-agent")
    assert secrets[str(given["metrics-certificate"].parent)] == secrets[str(given["metrics-key"].parent)]
    assert given["identity"] not in given["metrics-certificate"].parents
    (endpoint,) = one("PodMonitor", "noonmark-agent")["spec"]["podMetricsEndpoints"]
    assert endpoint["tlsConfig"]["ca"]["secret"]["name"] == secrets[str(given["metrics-certificate"].parent)]
    assert endpoint["tlsConfig"]["serverName"]


def test_collectors_share_the_secret_of_probe_keys() -> None:
    """Each with its own disk would else draw its own, and agents of one could not answer those of the other."""
    given, secrets = arguments("StatefulSet", "noonmark-collector"), mounted("StatefulSet", "noonmark-collector")
    assert secrets[str(given["probe-secret"].parent)] == "noonmark-probe-secret"
    assert one("StatefulSet", "noonmark-collector")["spec"]["replicas"] > 1


def test_every_secret_is_told_of_in_the_installation_guide() -> None:
    guide = (FOLDER.parent / "INSTALL.md").read_text()
    for kind, name in WORKLOADS:
        for secret in mounted(kind, name).values():
            assert f"kubectl create secret generic {secret} -n noonmark" in guide
