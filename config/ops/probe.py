"""Ask the web process of this container whether it can do its work; exit code 1 when not."""

import http.client
import os
import sys

# As the proxy in front would: under the service's own name, and over https.
host = os.environ.get("TRIBUTARY_HOSTS", "localhost").split(",")[0].strip()
port = int(sys.argv[1]) if len(sys.argv) > 1 else 8000
try:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=5)
    connection.request("GET", "/healthz", headers={"Host": host, "X-Forwarded-Proto": "https"})
    status = connection.getresponse().status
except OSError as error:
    sys.exit(f"no answer: {error}")
sys.exit(0 if status == 200 else f"answered {status}")
