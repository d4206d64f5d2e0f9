"""The compiler's bytes of the Sparkplug schema, by grpcio-tools, and the module that keeps them.

Run: python tests/sparkplug_schema.py   writes edgeagent/codec/sparkplug/schema_bytes.py anew.
"""

from __future__ import annotations

import base64
import tempfile
import textwrap
from pathlib import Path

FOLDER = Path(__file__).resolve().parents[1] / "edgeagent" / "codec" / "sparkplug"
SCHEMA = FOLDER / "sparkplug_b.proto"


def compiled_schema(schema: Path = SCHEMA) -> bytes:
    """A serialized FileDescriptorProto of the schema."""
    from google.protobuf import descriptor_pb2
    from grpc_tools import protoc

    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "set"
        command = ["protoc", f"-I{schema.parent}", f"--descriptor_set_out={out}", str(schema)]
        assert protoc.main(command) == 0
        return descriptor_pb2.FileDescriptorSet.FromString(out.read_bytes()).file[0].SerializeToString()


def module_text(data: bytes) -> str:
    lines = textwrap.wrap(base64.b64encode(data).decode(), 108)
    return "\n".join(
        (
            '"""What the protobuf compiler makes of sparkplug_b.proto; by tests/sparkplug_schema.py."""',
            "",
            "from __future__ import annotations",
            "",
            "import base64",
            "",
            "SCHEMA = base64.b64decode(",
            '    """',
            *lines,
            '"""',
            ")",
            '"""A serialized ``google.protobuf.FileDescriptorProto``."""',
            "",
        )
    )


if __name__ == "__main__":
    (FOLDER / "schema_bytes.py").write_text(module_text(compiled_schema()), encoding="utf-8")
