"""shared/asyncapi.yaml as a judge of messages."""

from __future__ import annotations

import functools
import json
import re
from pathlib import Path

import yaml
from jsonschema import Draft202012Validator

PAGE = Path(__file__).parents[2] / "shared" / "asyncapi.yaml"


@functools.cache
def load():
    return yaml.safe_load(PAGE.read_text(encoding="utf-8"))


def complaints(messages, document=None):
    """Return what is wrong with received messages: unknown topic, wrong QoS, or not as its schema says."""
    document = document or load()
    found = []
    for message in messages:
        name = channel_of(message.topic, document)
        if name is None:
            found.append(f"{message.topic}: no channel has this address")
            continue
        operation = next(o for o in document["operations"].values() if o["channel"]["$ref"].endswith(f"/{name}"))
        if message.qos != operation["bindings"]["mqtt"]["qos"]:
            found.append(f"{message.topic}: QoS {message.qos}")
        if message.is_retained and not operation["bindings"]["mqtt"]["retain"]:
            found.append(f"{message.topic}: retained")
        validator = Draft202012Validator(document["components"]["schemas"][name])
        found += [
            f"{message.topic}: {error.json_path} {error.message}"
            for error in validator.iter_errors(json.loads(message.payload))
        ]
    return found


def channel_of(topic, document):
    for name, channel in document["channels"].items():
        pattern = re.sub(r"\\{\w+\\}", "[^/]+", re.escape(channel["address"]))
        if re.fullmatch(pattern, topic):
            return name
    return None
