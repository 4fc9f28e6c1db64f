// A photo goes straight into the case: what the camera has taken is sent at once, without a second tap.

function begin() {
  for (const input of document.querySelectorAll("input[type=file][data-at-once]")) {
    const form = input.form;
    form.classList.add("at-once");
    input.addEventListener("change", () => {
      if (input.files.length) form.requestSubmit();
    });
  }
}

begin();
document.addEventListener("page-shown", begin);
