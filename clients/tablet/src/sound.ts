// Talking instead of typing: the sound goes with the report as it was said.

// What a message of this length and rate comes to fits well into one upload.
const longestSeconds = 180;
const bitsPerSecond = 32_000;

export interface Sound {
  blob: Blob;
  seconds: number;
}

export class Recorder {
  running = false;
  private recorder: MediaRecorder | undefined;

  // start records until stop, or until it is long enough; undefined when there
  // is no microphone or it may not be used.
  async start(tick: (seconds: number) => void, begun: () => void): Promise<Sound | undefined> {
    let stream: MediaStream | undefined;
    try {
      stream = await navigator.mediaDevices.getUserMedia({ audio: true });
      const type = ["audio/webm;codecs=opus", "audio/ogg;codecs=opus", "audio/mp4"].find((m) => MediaRecorder.isTypeSupported(m));
      const r = new MediaRecorder(stream, { audioBitsPerSecond: bitsPerSecond, ...(type ? { mimeType: type } : {}) });
      this.recorder = r;
      const parts: Blob[] = [];
      const began = performance.now();
      const seconds = () => Math.round((performance.now() - began) / 1000);
      const stopped = new Promise<void>((done, fail) => {
        r.ondataavailable = (e) => parts.push(e.data);
        r.onstop = () => done();
        r.onerror = () => fail(new Error("recording broke off"));
      });
      r.start(1000);
      this.running = true;
      begun();
      tick(0);
      const clock = setInterval(() => {
        tick(seconds());
        if (seconds() >= longestSeconds) this.stop();
      }, 500);
      await stopped.finally(() => clearInterval(clock));
      return { blob: new Blob(parts, { type: r.mimeType.split(";")[0]! }), seconds: Math.max(1, seconds()) };
    } catch {
      return undefined;
    } finally {
      this.running = false;
      stream?.getTracks().forEach((track) => track.stop());
    }
  }

  stop(): void {
    if (this.recorder?.state === "recording") this.recorder.stop();
  }
}
