// Plates and obstacles as a solid: drawn only when something changes, at the screen's own resolution.
import { THREE, OrbitControls, GLTFLoader } from "nicegui-scene";
export default {
  template: `<div class="solid"><canvas tabindex="0" role="img" :aria-label="words"></canvas><p v-if="problem" class="hint">{{ problem }}</p></div>`,
  props: { url: String, words: String, flag: Array },
  data: () => ({ problem: "" }),
  mounted() {
    const canvas = this.$el.querySelector("canvas");
    try {
      this.renderer = new THREE.WebGLRenderer({ canvas, antialias: true });
    } catch (e) {
      this.problem = "this browser can't show solids; the photos and the flat pattern show the same";
      return;
    }
    this.scene = new THREE.Scene();
    this.scene.background = new THREE.Color(0xdfe4e5);
    this.scene.add(new THREE.HemisphereLight(0xffffff, 0x6f777a, 1.3));
    const lamp = new THREE.DirectionalLight(0xffffff, 1.9);
    lamp.position.set(1, 2, 1.5);
    this.scene.add(lamp);
    this.camera = new THREE.PerspectiveCamera(35, 1, 0.01, 50);
    this.controls = new OrbitControls(this.camera, canvas);
    this.controls.addEventListener("change", () => this.paint());
    this.watcher = new ResizeObserver(() => this.paint());
    this.watcher.observe(this.$el);
    new GLTFLoader().load(this.url, (file) => this.show(file.scene), undefined, () => (this.problem = "the solid could not be loaded; load the page again"));
  },
  unmounted() {
    this.watcher?.disconnect();
    this.controls?.dispose();
    this.scene?.traverse((o) => { o.geometry?.dispose(); o.material?.dispose?.(); });
    this.renderer?.dispose();
    this.renderer?.forceContextLoss();
  },
  methods: {
    show(thing) {
      this.scene.add(thing);
      const room = new THREE.Box3().setFromObject(thing), middle = room.getCenter(new THREE.Vector3());
      const size = room.getSize(new THREE.Vector3()).length() || 1;
      this.home = { middle, size };
      this.look(middle, size);
      this.goto(this.flag);
    },
    look(at, size) {
      this.controls.target.copy(at);
      this.camera.position.copy(at).add(new THREE.Vector3(0.5, 0.45, -1).multiplyScalar(size * 0.95 * Math.max(1, this.$el.clientHeight / Math.max(this.$el.clientWidth, 1))));
      this.camera.near = size / 200;
      this.camera.far = size * 20;
      this.controls.update();
      this.paint();
    },
    goto(place) { // world mm, z up, as the file turns it: metres with y up
      if (!place || !this.home) return;
      const at = new THREE.Vector3(place[0] / 1000, place[2] / 1000, -place[1] / 1000);
      if (!this.mark) {
        this.mark = new THREE.Mesh(new THREE.SphereGeometry(1, 20, 12), new THREE.MeshBasicMaterial({ color: 0xd23b1e, depthTest: false }));
        this.mark.renderOrder = 9;
        this.scene.add(this.mark);
      }
      this.mark.position.copy(at);
      this.mark.scale.setScalar(this.home.size / 160);
      this.look(at, this.home.size * 0.35);
    },
    paint() {
      if (!this.renderer || this.asked) return;
      this.asked = requestAnimationFrame(() => {
        this.asked = 0;
        const w = this.$el.clientWidth, h = this.$el.clientHeight;
        if (!w || !h) return;
        this.renderer.setPixelRatio(window.devicePixelRatio);
        this.renderer.setSize(w, h, false);
        this.camera.aspect = w / h;
        this.camera.updateProjectionMatrix();
        this.renderer.render(this.scene, this.camera);
        this.$el.dataset.painted = String(1 + Number(this.$el.dataset.painted || 0));
      });
    },
  },
};
