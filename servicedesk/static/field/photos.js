// Photos: turned upright and made small enough for a poor line before they are kept.
"use strict";

const LONGEST_SIDE = 2048;

// A photo as JPEG of at most 2048 pixels; an error where this browser cannot read the file.
export async function scaled(file) {
  const image = await createImageBitmap(file, { imageOrientation: "from-image" });
  const scale = Math.min(1, LONGEST_SIDE / Math.max(image.width, image.height));
  const canvas = document.createElement("canvas");
  canvas.width = Math.round(image.width * scale);
  canvas.height = Math.round(image.height * scale);
  canvas.getContext("2d").drawImage(image, 0, 0, canvas.width, canvas.height);
  image.close();
  const photo = await new Promise((resolve) => canvas.toBlob(resolve, "image/jpeg", 0.85));
  if (!photo) throw new Error("no photo came out");
  return photo;
}
