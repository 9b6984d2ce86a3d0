// Photos are drawn anew, smaller: whatever the camera wrote into the file beside
// the picture (place, time, owner) is not drawn, and so stays behind.
const longest = 1600;
const quality = 0.8;

export async function shrunk(file: Blob): Promise<Blob> {
  const picture = await createImageBitmap(file, { imageOrientation: "from-image" });
  try {
    const scale = Math.min(1, longest / Math.max(picture.width, picture.height));
    const canvas = document.createElement("canvas");
    canvas.width = Math.max(1, Math.round(picture.width * scale));
    canvas.height = Math.max(1, Math.round(picture.height * scale));
    const pen = canvas.getContext("2d");
    if (!pen) throw new Error("no canvas");
    pen.fillStyle = "#fff"; // what is see-through becomes paper
    pen.fillRect(0, 0, canvas.width, canvas.height);
    pen.drawImage(picture, 0, 0, canvas.width, canvas.height);
    return await new Promise<Blob>((done, fail) =>
      canvas.toBlob((b) => (b ? done(b) : fail(new Error("no picture"))), "image/jpeg", quality));
  } finally {
    picture.close();
  }
}
