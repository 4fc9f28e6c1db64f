// The pairing page: a code that came with the address (behind the #) is put into its field and out of the address bar.
const typed = document.getElementById("pair-code");
if (typed && location.hash.length > 1) {
  typed.value = decodeURIComponent(location.hash.slice(1));
  history.replaceState(null, "", location.pathname);
}
