"""What goes out of a site, as settings."""

from pathlib import Path

from crumbmeter.site.checks.links import broker_port
from crumbmeter.site.keys.links import MqttKeys, OfferedKeys
from crumbmeter.site.keys.site import SiteFile
from crumbmeter.site.settings import MetricsSettings, MqttSettings, OfferedSettings, PublishSettings


def build_publish(file: SiteFile) -> PublishSettings:
    """Build what goes out."""
    metrics = file.publish.metrics
    mqtt = file.publish.mqtt
    modbus = file.publish.modbus
    return PublishSettings(
        mqtt=None if mqtt is None else _mqtt(mqtt),
        metrics=None if metrics is None else MetricsSettings(metrics.address, metrics.port),
        modbus=None if modbus is None else _offered(modbus),
    )


def _offered(keys: OfferedKeys) -> OfferedSettings:
    return OfferedSettings(
        keys.address, keys.port, keys.unit_id, keys.order, clients=tuple(keys.clients), allow=tuple(keys.allow)
    )


def _mqtt(keys: MqttKeys) -> MqttSettings:
    embedded = keys.broker.startswith("embedded")
    return MqttSettings(
        embedded=embedded,
        host="127.0.0.1" if embedded else keys.broker.rpartition(":")[0],
        port=broker_port(keys.broker),
        topic_root=keys.topic_root,
        username=keys.username,
        password_file=None if keys.password_file is None else Path(keys.password_file),
        tls_ca=None if keys.tls_ca is None else Path(keys.tls_ca),
    )
