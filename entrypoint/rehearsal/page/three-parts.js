export {
  BufferAttribute, BufferGeometry, CatmullRomCurve3, Color, CylinderGeometry,
  DirectionalLight, DoubleSide, Group, HemisphereLight, Mesh, MeshBasicMaterial, MeshLambertMaterial,
  OctahedronGeometry, PerspectiveCamera, Quaternion, Raycaster, RingGeometry, Scene, ShaderMaterial, SphereGeometry,
  TubeGeometry, Vector2, Vector3, Vector4, WebGLRenderer,
} from "three";
