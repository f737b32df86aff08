// Reading a sheet's label with the camera, where the browser can (BarcodeDetector); typing always works.

const button = document.getElementById("scan");
const field = document.getElementById("label");
const view = document.getElementById("scan-view");

async function canScan() {
  if (!("BarcodeDetector" in window) || !navigator.mediaDevices?.getUserMedia) return false;
  const formats = await window.BarcodeDetector.getSupportedFormats();
  return formats.includes("qr_code");
}

async function scan() {
  const stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment" } });
  const video = view.querySelector("video");
  const stop = () => {
    for (const track of stream.getTracks()) track.stop();
    view.hidden = true;
  };
  view.hidden = false;
  view.querySelector("button").onclick = stop;
  video.srcObject = stream;
  await video.play();
  const detector = new window.BarcodeDetector();
  while (!view.hidden) {
    const [code] = await detector.detect(video).catch(() => []);
    if (code?.rawValue) {
      stop();
      field.value = code.rawValue.trim();
      field.form.requestSubmit();
      return;
    }
    await new Promise((resolve) => window.setTimeout(resolve, 150));
  }
}

if (button && (await canScan())) {
  button.hidden = false;
  button.addEventListener("click", () => {
    scan().catch(() => {
      view.hidden = true;
      button.hidden = true;
      field.focus();
    });
  });
}
