"""The least that a bridge can do: subscribe, parse JSON, publish. Run as a process of its own."""

import sys

import orjson
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from tests.support.listener import _without_delay


def main(port: int, qos: int) -> None:
    """Answer every message below ``plain/`` with one below ``out/``, for ever."""

    def connected(client: mqtt.Client, *_: object) -> None:
        client.subscribe("plain/#", qos=qos)

    def came(client: mqtt.Client, _userdata: object, message: mqtt.MQTTMessage) -> None:
        document = orjson.loads(message.payload)
        client.publish(f"out/{message.topic}", orjson.dumps(document), qos=qos)

    client = mqtt.Client(CallbackAPIVersion.VERSION2, "echo", protocol=MQTTProtocolVersion.MQTTv5)
    client.on_connect, client.on_message = connected, came
    client.on_socket_open = _without_delay
    client.connect("127.0.0.1", port)
    client.loop_forever()


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]))
