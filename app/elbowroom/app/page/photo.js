// A photo with outlines drawn in. Pixels count from the centre of the top-left one, so drawing adds half a pixel.
// Wheel or two fingers zoom at the place pointed at, dragging pans, + - 0 and the arrows do the same from the keyboard.
const MOST = 24;
const kept = {}; // where each photo was looked at, and dots not yet closed: drawing the page anew must lose neither
const TURNS = {
  1: (x, y, w, h) => [x, y], 2: (x, y, w, h) => [w - x, y], 3: (x, y, w, h) => [w - x, h - y], 4: (x, y, w, h) => [x, h - y],
  5: (x, y, w, h) => [y, x], 6: (x, y, w, h) => [h - y, x], 7: (x, y, w, h) => [h - y, w - x], 8: (x, y, w, h) => [y, w - x],
};
export default {
  template: `
    <div class="photo" :class="{ pen }" tabindex="0" role="group" :aria-label="name + ': photo, plus and minus zoom, arrows move'"
      @wheel.prevent="wheel" @pointerdown="down" @pointermove="move" @pointerup="up" @pointercancel="up" @keydown="key" @dblclick="pen || whole()">
      <svg :viewBox="box" :style="{ transform: place, '--line': line }" preserveAspectRatio="xMidYMid meet">
        <g :transform="matrix"><image :href="shown" x="0" y="0" :width="width" :height="height" preserveAspectRatio="none"/></g>
        <g v-if="dots.length" class="pen"><polyline :points="dots.map((p) => p.join(',')).join(' ')"/><circle v-for="d in dots" :cx="d[0]" :cy="d[1]" :r="5 * line"/></g>
        <g v-for="s in drawn" :class="s.kind"><polygon :points="s.points"/><text :x="s.x" :y="s.y" v-if="s.label">{{ s.label }}</text></g>
      </svg>
      <div class="zoom"><button type="button" class="key" v-if="dots.length" @click.stop="dots = dots.slice(0, -1)">last point off</button><button type="button" class="key" v-if="dots.length > 2" @click.stop="close">close outline</button><button type="button" class="key" aria-label="zoom out" @click.stop="step(1/1.6)">&minus;</button><button type="button" class="key" @click.stop="whole">whole photo</button><button type="button" class="key" aria-label="zoom in" @click.stop="step(1.6)">+</button></div>
    </div>`,
  emits: ["outlined"],
  props: { pen: Boolean, name: String, src: String, full: String, width: Number, height: Number, orientation: Number, shapes: Array },
  data() { return { zoom: 1, x: 0, y: 0, sharp: false, dots: [], ...kept[`${this.name} ${this.pen}`], fit: 1 }; },
  updated() { kept[`${this.name} ${this.pen}`] = { zoom: this.zoom, x: this.x, y: this.y, sharp: this.sharp, dots: this.dots }; },
  computed: {
    turned() { return this.orientation >= 5; },
    box() { return this.turned ? `0 0 ${this.height} ${this.width}` : `0 0 ${this.width} ${this.height}`; },
    place() { return `translate(${this.x}px, ${this.y}px) scale(${this.zoom})`; },
    line() { return this.fit / this.zoom; },
    shown() { return this.sharp ? this.full : this.src; },
    matrix() {
      const at = (x, y) => TURNS[this.orientation](x, y, this.width, this.height);
      const [o, a, b] = [at(0, 0), at(1, 0), at(0, 1)];
      return `matrix(${a[0] - o[0]} ${a[1] - o[1]} ${b[0] - o[0]} ${b[1] - o[1]} ${o[0]} ${o[1]})`;
    },
    drawn() {
      return (this.shapes || []).map((s) => {
        const points = s.points.map(([x, y]) => TURNS[this.orientation](x + 0.5, y + 0.5, this.width, this.height));
        const right = points.reduce((a, b) => (b[0] > a[0] ? b : a));
        return { kind: s.kind, label: s.label, points: points.map((p) => p.join(",")).join(" "), x: right[0], y: right[1] };
      });
    },
  },
  mounted() {
    this.fingers = new Map();
    this.watcher = new ResizeObserver(() => this.measure());
    this.watcher.observe(this.$el);
    this.measure();
  },
  unmounted() { this.watcher.disconnect(); },
  methods: {
    measure() {
      const r = this.$el.getBoundingClientRect();
      const [w, h] = this.turned ? [this.height, this.width] : [this.width, this.height];
      this.fit = Math.max(w / Math.max(r.width, 1), h / Math.max(r.height, 1));
    },
    step(by) { const r = this.$el.getBoundingClientRect(); this.scale(by, r.width / 2, r.height / 2); },
    scale(by, x, y) {
      const zoom = Math.min(Math.max(this.zoom * by, 1), MOST), k = zoom / this.zoom;
      this.x = x - k * (x - this.x);
      this.y = y - k * (y - this.y);
      this.zoom = zoom;
      if (zoom > 1.5) this.sharp = true;
      this.keep();
    },
    keep() {
      const r = this.$el.getBoundingClientRect();
      this.x = Math.min(0, Math.max(this.x, r.width * (1 - this.zoom)));
      this.y = Math.min(0, Math.max(this.y, r.height * (1 - this.zoom)));
    },
    whole() { this.zoom = 1; this.x = this.y = 0; },
    wheel(e) { const r = this.$el.getBoundingClientRect(); this.scale(Math.exp(-e.deltaY / 400), e.clientX - r.left, e.clientY - r.top); },
    down(e) { if (e.target.closest("button")) return; this.from = [e.clientX, e.clientY, this.fingers.size]; this.$el.setPointerCapture(e.pointerId); this.fingers.set(e.pointerId, [e.clientX, e.clientY]); },
    move(e) {
      const before = this.fingers.get(e.pointerId);
      if (!before) return;
      const spread = () => { const f = [...this.fingers.values()]; return Math.hypot(f[0][0] - f[1][0], f[0][1] - f[1][1]); };
      const two = this.fingers.size === 2, was = two ? spread() : 0;
      this.fingers.set(e.pointerId, [e.clientX, e.clientY]);
      const share = two ? 0.5 : 1;
      this.x += share * (e.clientX - before[0]);
      this.y += share * (e.clientY - before[1]);
      if (two) {
        const f = [...this.fingers.values()], r = this.$el.getBoundingClientRect();
        this.scale(spread() / Math.max(was, 1), (f[0][0] + f[1][0]) / 2 - r.left, (f[0][1] + f[1][1]) / 2 - r.top);
      }
      this.keep();
    },
    up(e) {
      const held = this.fingers.delete(e.pointerId);
      const still = held && this.from && !this.from[2] && Math.hypot(e.clientX - this.from[0], e.clientY - this.from[1]) < 5;
      if (this.pen && still && e.type === "pointerup") this.dot(e.clientX, e.clientY);
    },
    dot(x, y) { // where the photo was pointed at, as drawn; a click on the first dot closes the outline
      const at = new DOMPoint(x, y).matrixTransform(this.$el.querySelector("svg").getScreenCTM().inverse());
      const [w, h] = this.turned ? [this.height, this.width] : [this.width, this.height];
      const dot = [Math.min(Math.max(at.x, 0), w), Math.min(Math.max(at.y, 0), h)], first = this.dots[0];
      if (first && this.dots.length > 2 && Math.hypot(first[0] - dot[0], first[1] - dot[1]) < 9 * this.line) this.close();
      else this.dots = [...this.dots, dot];
    },
    close() {
      if (this.dots.length < 3) return;
      const back = { 6: 8, 8: 6 }[this.orientation] || this.orientation;
      const [w, h] = this.turned ? [this.height, this.width] : [this.width, this.height];
      const points = this.dots.map(([x, y]) => TURNS[back](x, y, w, h)).map(([x, y]) => [x - 0.5, y - 0.5]);
      this.dots = [];
      this.$emit("outlined", { points });
    },
    key(e) {
      const steps = { ArrowLeft: [60, 0], ArrowRight: [-60, 0], ArrowUp: [0, 60], ArrowDown: [0, -60] };
      if (e.key === "+" || e.key === "=") this.step(1.6);
      else if (e.key === "-") this.step(1 / 1.6);
      else if (e.key === "0") this.whole();
      else if (this.pen && e.key === "Backspace") this.dots = this.dots.slice(0, -1);
      else if (this.pen && e.key === "Escape") this.dots = [];
      else if (this.pen && e.key === "Enter" && e.target === this.$el) this.close();
      else if (steps[e.key] && this.zoom > 1) { this.x += steps[e.key][0]; this.y += steps[e.key][1]; this.keep(); }
      else return;
      e.preventDefault();
    },
  },
};
