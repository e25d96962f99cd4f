// Files dropped or chosen: sent one after the other as plain bodies, each with its share shown.
export default {
  template: `
    <div class="drop" :class="{ over }" @dragover.prevent="over = true" @dragleave="over = false" @drop.prevent="dropped">
      <label class="key"><input type="file" :multiple="many" :accept="accept" :data-kind="kind" @change="chosen"><span>{{ words }}</span></label>
      <span class="hint">{{ hint }}</span>
      <progress v-if="total" :value="share" max="1" :aria-label="'sending ' + now"></progress>
      <span v-if="total" class="hint" role="status">{{ now }}</span>
    </div>`,
  props: { url: String, kind: String, accept: String, words: String, hint: String, many: Boolean },
  data: () => ({ over: false, total: 0, share: 0, now: "" }),
  mounted() {
    this.keep = (event) => event.preventDefault(); // a file dropped beside the field must not replace the page
    window.addEventListener("dragover", this.keep);
    window.addEventListener("drop", this.keep);
  },
  unmounted() {
    window.removeEventListener("dragover", this.keep);
    window.removeEventListener("drop", this.keep);
  },
  methods: {
    dropped(event) {
      this.over = false;
      this.send([...event.dataTransfer.files]);
    },
    chosen(event) {
      this.send([...event.target.files]);
      event.target.value = "";
    },
    async send(files) {
      if (this.total || !files.length) return;
      files.sort((a, b) => a.name.localeCompare(b.name, "en", { numeric: true }));
      this.total = files.reduce((sum, f) => sum + f.size, 0) || 1;
      const refused = [];
      let sent = 0;
      for (const file of files) {
        this.now = file.name;
        const words = await this.one(file, sent);
        if (words) refused.push(words);
        sent += file.size;
      }
      this.total = 0;
      this.$emit("sent", { refused });
    },
    one(file, before) {
      return new Promise((resolve) => {
        const request = new XMLHttpRequest();
        request.open("POST", `${this.url}?name=${encodeURIComponent(file.name)}`);
        request.upload.onprogress = (e) => (this.share = (before + e.loaded) / this.total);
        request.onload = () => resolve(request.status < 300 ? "" : request.responseText.slice(0, 500));
        request.onerror = () => resolve(`${file.name}: it did not arrive; it may be larger than this page takes (100 MB)`);
        request.send(file);
      });
    },
  },
};
