"""The shortest script that could light a lamp: the yardstick of the latency benchmark. No checks, no record.

watchdog + numpy.loadtxt + numpy.fft + paho publish; arguments: folder, port, topic.
"""

import os
import sys
import time

import numpy as np
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from watchdog.events import FileSystemEventHandler
from watchdog.observers import Observer

folder, port, topic = sys.argv[1], int(sys.argv[2]), sys.argv[3]
client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
client.connect("127.0.0.1", port)
client.loop_start()


class Handler(FileSystemEventHandler):
    def on_closed(self, event):
        if event.is_directory:
            return
        data = np.loadtxt(os.fsdecode(event.src_path), delimiter=",", skiprows=11)
        turns = data[:, 1].reshape(3, -1).mean(axis=0)
        amplitude = 2 * np.abs(np.fft.rfft(turns)) / len(turns)
        lamp = b"1" if (amplitude[2:500] > 0.1).any() else b"0"
        client.publish(topic, lamp, qos=1)


observer = Observer()
observer.schedule(Handler(), folder)
observer.start()
print("ready", flush=True)
while True:
    time.sleep(60)
