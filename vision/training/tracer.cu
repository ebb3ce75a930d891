// A small path tracer for made-up scenes: a round case with a lever inside, printed cards beside it, clutter.
//
// Shapes are signed distance fields, so every edge has its real rounding and the truth is exact.
// Lengths in mm; world: origin in the rim circle's centre, +x right, +y away from the camera, +z up.
// Compiles with nvcc (GPU) and, for a check without one, with g++ -x c++ (all on one core).
#include <cmath>
#include <cstdint>
#include <cstring>
#ifdef __CUDACC__
#define HD __host__ __device__ inline
#else
#define HD inline
#endif

struct V { float x, y, z; };
HD V v3(float x, float y, float z) { V r; r.x = x; r.y = y; r.z = z; return r; }
HD V operator+(V a, V b) { return v3(a.x + b.x, a.y + b.y, a.z + b.z); }
HD V operator-(V a, V b) { return v3(a.x - b.x, a.y - b.y, a.z - b.z); }
HD V operator*(V a, float s) { return v3(a.x * s, a.y * s, a.z * s); }
HD V operator*(V a, V b) { return v3(a.x * b.x, a.y * b.y, a.z * b.z); }
HD float dot(V a, V b) { return a.x * b.x + a.y * b.y + a.z * b.z; }
HD V cross(V a, V b) { return v3(a.y * b.z - a.z * b.y, a.z * b.x - a.x * b.z, a.x * b.y - a.y * b.x); }
HD float len(V a) { return sqrtf(dot(a, a)); }
HD V unit(V a) { return a * (1.0f / fmaxf(len(a), 1e-20f)); }
HD float clampf(float x, float a, float b) { return fminf(fmaxf(x, a), b); }

struct Material { float r, g, b, metal, rough, spec, tex, texamp; };
struct Prim { int kind, mat; float p[3]; float m[9]; float a, b, c, r, reach; };
struct Rect { float x, z, size; int n; uint32_t bits[2]; };
struct Light { float dir[3]; float cosa; float rgb[3]; };

struct Scene {
    int nprof; float prof[24][2];
    int nstand; float stand[12][2];
    int ribs; float ribdepth, ribz0, ribz1;
    float rout, ztop, rin, zfloor, ribr, top, insertz;
    int nlev; float lev[6][2]; float lorg[3]; float laz, ltilt, lwidth, lthick, ledge, lcorner, lslotw, lslotd, lhole;
    float lrod, lroll, lcamber, lknob, lknobh, lknobr;
    int lever_on;
    int ninner; Prim inner[16];
    int nouter; Prim outer[24];
    float card[3]; float cyaw, clean; int nrect; Rect rect[48];
    float bench_z, wall_y;
    Material mat[24];
    float sky[3], ground[3]; float envseed, envamp;
    int nlight; Light light[4];
    float cam[3]; float rot[9]; float fx, fy, cx, cy, k1, k2; int mode;
    float plane_y, px0, pz0, mmpp;
    float focus, aperture, motion[2];
    int width, height, spp; uint32_t seed; int row0, row1, quick;
    float shadow, gloss, hollow;
};
enum { M_CASE = 0, M_STAND = 1, M_LEVER = 2, M_CARD = 3, M_BENCH = 4, M_WALL = 5, M_INSERT = 6 };
enum { O_BG = 0, O_OUT = 1, O_LAND = 2, O_IN = 3, O_LEVER = 4 };

HD uint32_t hash32(uint32_t x) { x ^= x >> 16; x *= 0x7feb352dU; x ^= x >> 15; x *= 0x846ca68bU; x ^= x >> 16; return x; }
struct Rng { uint32_t s; };
HD float rnd(Rng& g) { g.s = g.s * 747796405U + 2891336453U; uint32_t w = ((g.s >> ((g.s >> 28) + 4)) ^ g.s) * 277803737U; w = (w >> 22) ^ w; return (w >> 8) * (1.0f / 16777216.0f); }
HD float lattice(int x, int y, int z) { return (hash32(x * 73856093U ^ y * 19349663U ^ z * 83492791U) >> 8) * (1.0f / 16777216.0f); }
HD float noise3(V p) {
    int X = (int)floorf(p.x), Y = (int)floorf(p.y), Z = (int)floorf(p.z);
    float u = p.x - X, v = p.y - Y, w = p.z - Z;
    u = u * u * (3 - 2 * u); v = v * v * (3 - 2 * v); w = w * w * (3 - 2 * w);
    float s = 0;
    for (int i = 0; i < 8; i++) {
        int a = i & 1, b = (i >> 1) & 1, c = i >> 2;
        s += lattice(X + a, Y + b, Z + c) * (a ? u : 1 - u) * (b ? v : 1 - v) * (c ? w : 1 - w);
    }
    return s;
}
HD float fbm(V p) { return 0.5f * noise3(p) + 0.3f * noise3(p * 2.3f) + 0.2f * noise3(p * 5.1f); }

HD float poly2(const float (*q)[2], int n, float x, float y) {
    float d = 1e30f, s = 1;
    for (int i = 0, j = n - 1; i < n; j = i, i++) {
        float ex = q[j][0] - q[i][0], ey = q[j][1] - q[i][1], wx = x - q[i][0], wy = y - q[i][1];
        float t = clampf((wx * ex + wy * ey) / (ex * ex + ey * ey), 0, 1);
        float bx = wx - ex * t, by = wy - ey * t;
        d = fminf(d, bx * bx + by * by);
        bool c1 = y >= q[i][1], c2 = y < q[j][1], c3 = ex * wy > ey * wx;
        if ((c1 && c2 && c3) || (!c1 && !c2 && !c3)) s = -s;
    }
    return s * sqrtf(d);
}
HD float box2(float x, float y, float hx, float hy, float r) {
    float a = fabsf(x) - hx + r, b = fabsf(y) - hy + r;
    return sqrtf(fmaxf(a, 0) * fmaxf(a, 0) + fmaxf(b, 0) * fmaxf(b, 0)) + fminf(fmaxf(a, b), 0) - r;
}
// distance to one body; a body whose enclosing ball is no nearer than ``best`` is not looked at closely
HD float prim_sdf(const Prim& q, V p, float best) {
    V d = p - v3(q.p[0], q.p[1], q.p[2]);
    float far = best + q.reach;
    if (far < 0 || dot(d, d) > far * far) return best;
    V l = v3(q.m[0] * d.x + q.m[1] * d.y + q.m[2] * d.z, q.m[3] * d.x + q.m[4] * d.y + q.m[5] * d.z, q.m[6] * d.x + q.m[7] * d.y + q.m[8] * d.z);
    if (q.kind == 0) {
        V e = v3(fabsf(l.x) - q.a + q.r, fabsf(l.y) - q.b + q.r, fabsf(l.z) - q.c + q.r);
        return len(v3(fmaxf(e.x, 0), fmaxf(e.y, 0), fmaxf(e.z, 0))) + fminf(fmaxf(e.x, fmaxf(e.y, e.z)), 0) - q.r;
    }
    if (q.kind == 1) return box2(sqrtf(l.x * l.x + l.y * l.y), l.z, q.a, q.b, q.r);
    if (q.kind == 2) { float t = clampf(l.z, -q.b, q.b); return len(v3(l.x, l.y, l.z - t)) - q.a; }
    if (q.kind == 3) {
        float ax = fabsf(l.x), ay = fabsf(l.y), h = fmaxf(ax * 0.8660254f + ay * 0.5f, ay) - q.a;
        return fmaxf(h, fabsf(l.z) - q.b);
    }
    if (q.kind == 4) return len(l) - q.a;
    // coil along local z: wire radius r on radius a, half length b, pitch c
    float ang = atan2f(l.y, l.x), rr = sqrtf(l.x * l.x + l.y * l.y);
    float turn = roundf(l.z / q.c - ang * 0.15915494f), zc = (turn + ang * 0.15915494f) * q.c;
    zc = clampf(zc, -q.b, q.b);
    return 0.8f * (sqrtf((rr - q.a) * (rr - q.a) + (l.z - zc) * (l.z - zc)) - q.r);
}
// what sits on the lever's end: a rolled edge, a knob; along, over and across it, and in the lever's upright frame
HD float lever_end(const Scene& S, float t, float o, float w, float s, float z) {
    float d = 1e9f;
    if (S.lroll != 0) {
        float r = fabsf(S.lroll), h = S.lthick * 0.5f, c = o - (S.lroll > 0 ? 1 : -1) * (r - h), q = sqrtf(t * t + c * c);
        float ring = r > S.lthick ? fabsf(q - (r - h)) - h : q - r;
        float a = ring + S.ledge, b = fabsf(w) - S.lwidth * 0.5f + S.ledge;
        d = 0.93f * (sqrtf(fmaxf(a, 0) * fmaxf(a, 0) + fmaxf(b, 0) * fmaxf(b, 0)) + fminf(fmaxf(a, b), 0) - S.ledge);
    }
    if (S.lknob > 0) d = fminf(d, box2(sqrtf(w * w + s * s), z - S.lknobh, S.lknob, S.lknobh, S.lknobr));
    return d;
}
HD float lever_sdf(const Scene& S, V p, float best) {
    V d = p - v3(S.lorg[0], S.lorg[1], S.lorg[2]);
    float ca = cosf(S.laz), sa = sinf(S.laz);
    float s = ca * d.x + sa * d.y, w = -sa * d.x + ca * d.y, z = d.z;
    float ct = cosf(S.ltilt), st = sinf(S.ltilt), w2 = ct * w + st * z, z2 = -st * w + ct * z;
    w = w2; z = z2;
    if (fabsf(w) - fmaxf(S.lwidth * 0.5f, S.lknob) > best) return best;
    float side = clampf(w, -0.6f * S.lwidth, 0.6f * S.lwidth), bend = S.lcamber * side * side;
    int n = S.nlev;
    float rest = 1e9f;
    float h = S.lthick * 0.5f, last = 1e9f;
    for (int i = 0; i + 1 < n; i++) {
        float ex = S.lev[i + 1][0] - S.lev[i][0], ey = S.lev[i + 1][1] - S.lev[i][1], L = sqrtf(ex * ex + ey * ey);
        ex /= L; ey /= L;
        float wx = s - S.lev[i][0], wy = z - S.lev[i][1], t = wx * ex + wy * ey, o = -wx * ey + wy * ex + bend;
        if (i + 2 == n) last = lever_end(S, t - L, o, w, wx + S.lev[i][0] - S.lev[n - 1][0], z - S.lev[n - 1][1]);
        if (S.lrod > 0) {
            float tc = clampf(t, 0, L);
            if (i + 2 < n) rest = fminf(rest, sqrtf((t - tc) * (t - tc) + o * o + w * w) - h);
            else last = fminf(last, box2(sqrtf(o * o + w * w), t - L * 0.5f, h, L * 0.5f, fminf(S.lcorner, h * 0.99f)));
        } else if (i + 2 < n) {
            float tc = clampf(t, 0, L);
            float q = sqrtf((t - tc) * (t - tc) + o * o) - h;
            rest = fminf(rest, q);
        } else {  // the tip: a plate with square thickness, corners rounded in its face
            float face = box2(w, t - L * 0.5f + h * 0.5f, S.lwidth * 0.5f, L * 0.5f + h * 0.5f, fminf(S.lcorner, S.lwidth * 0.4999f));
            if (S.lslotw > 0) { float slot = -box2(w, t - L, S.lslotw * 0.5f, S.lslotd, 0.2f); face = fmaxf(face, slot); }
            if (S.lhole > 0) { float hx = w, hy = t - L + 2.2f * S.lhole + 0.8f; face = fmaxf(face, S.lhole - sqrtf(hx * hx + hy * hy)); }
            float a = face + S.ledge, b = fabsf(o) - h + S.ledge;
            last = fminf(last, 0.93f * (sqrtf(fmaxf(a, 0) * fmaxf(a, 0) + fmaxf(b, 0) * fmaxf(b, 0)) + fminf(fmaxf(a, b), 0) - S.ledge));
        }
    }
    if (S.lrod > 0) return fminf(rest, last);
    float a = rest + S.ledge, b = fabsf(w) - S.lwidth * 0.5f + S.ledge;
    float arm = sqrtf(fmaxf(a, 0) * fmaxf(a, 0) + fmaxf(b, 0) * fmaxf(b, 0)) + fminf(fmaxf(a, b), 0) - S.ledge;
    return fminf(0.93f * arm, last);
}
HD float case_sdf(const Scene& S, V p) {
    float r = sqrtf(p.x * p.x + p.y * p.y);
    float d = poly2(S.prof, S.nprof, r, p.z);
    if (S.ribs > 0 && d < 1.5f && p.z < S.ribz1 + 1.0f) {
        float k = 6.2831853f / S.ribs, ang = atan2f(p.y, p.x), a = (ang - k * roundf(ang / k)) * r;
        float rib = box2(a, p.z - 0.5f * (S.ribz0 + S.ribz1), k * r * 0.25f, 0.5f * (S.ribz1 - S.ribz0), 0.15f);
        float ring = fabsf(r - S.ribr) - S.ribdepth;
        d = fminf(d, 0.8f * fmaxf(rib, ring));
    } else if (S.ribs > 0) d = fmaxf(d - S.ribdepth, fminf(d, 0.3f));  // no step may end inside a rib
    return d;
}
HD float scene_sdf(const Scene& S, V p, int* mat, int* obj) {
    float best = 1e9f; int bm = 0, bo = O_BG;
    float rr = sqrtf(p.x * p.x + p.y * p.y);
    float bound = fmaxf(rr - S.rout - 4.0f, fmaxf(p.z - 8.0f, -1e9f));
    if (bound > 3.0f) best = bound;
    else {
        best = case_sdf(S, p); bm = M_CASE;
        float s = p.z - S.stand[0][1] > best ? best : poly2(S.stand, S.nstand, rr, p.z);
        if (s < best) { best = s; bm = M_STAND; }
        bo = bm == M_STAND ? O_OUT : (p.z > S.ztop - 0.004f ? O_LAND : (rr < S.rin && p.z > S.zfloor - 0.3f + fminf(fmaxf(rr - S.rin + 3.5f, 0), 2.0f) ? O_IN : O_OUT));
        if (bo == O_IN && bm == M_CASE && p.z < S.insertz) bm = M_INSERT;
        if (S.lever_on) { float l = lever_sdf(S, p, best); if (l < best) { best = l; bm = M_LEVER; bo = O_LEVER; } }
        for (int i = 0; i < S.ninner; i++) { float q = prim_sdf(S.inner[i], p, best); if (q < best) { best = q; bm = S.inner[i].mat; bo = O_IN; } }
    }
    for (int i = 0; i < S.nouter; i++) { float q = prim_sdf(S.outer[i], p, best); if (q < best) { best = q; bm = S.outer[i].mat; bo = bm == M_CASE ? O_OUT : O_BG; } }
    if (mat) *mat = bm;
    if (obj) *obj = bo;
    return best;
}
HD float planes(const Scene& S, V o, V d, int* mat) {
    float best = 1e9f;
    if (d.z < -1e-6f && o.z > S.bench_z) { best = (S.bench_z - o.z) / d.z; *mat = M_BENCH; }
    if (d.y > 1e-6f && o.y < S.wall_y) { float q = (S.wall_y - o.y) / d.y; if (q < best) { best = q; *mat = M_WALL; } }
    return best;
}
// marches the bodies, the two planes are met exactly; mat is M_BENCH or M_WALL for them, else to be asked for
HD bool trace(const Scene& S, V o, V d, float* t, float tmax, int* mat) {
    float x = *t;
    int pm = -1;
    float stop = planes(S, o, d, &pm);
    bool plane = stop < tmax;
    if (!plane) stop = tmax;
    *mat = -1;
    for (int i = 0; i < 320; i++) {  // a ray that grazes a large round body takes many small steps
        V p = o + d * x;
        float q = scene_sdf(S, p, nullptr, nullptr);
        if (q < 0.001f) { *t = x; return true; }
        x += q * 0.95f;
        if (x > stop) break;
        if (p.z > S.top && d.z > 0) { x = stop + 1; break; }
    }
    if (x <= stop) { *t = x; return true; }
    if (plane) { *t = stop; *mat = pm; return true; }
    return false;
}
HD V normal(const Scene& S, V p) {
    const float e = 0.004f;
    V a = v3(1, -1, -1), b = v3(-1, -1, 1), c = v3(-1, 1, -1), f = v3(1, 1, 1);
    return unit(a * scene_sdf(S, p + a * e, 0, 0) + b * scene_sdf(S, p + b * e, 0, 0) + c * scene_sdf(S, p + c * e, 0, 0) + f * scene_sdf(S, p + f * e, 0, 0));
}
HD V card_albedo(const Scene& S, V p, V white) {
    V d = p - v3(S.card[0], S.card[1], S.card[2]);
    float c = cosf(S.cyaw), s = sinf(S.cyaw), x = c * d.x + s * d.y, y = -s * d.x + c * d.y;
    float cl = cosf(S.clean), sl = sinf(S.clean), z = sl * y + cl * d.z;
    for (int i = 0; i < S.nrect; i++) {
        const Rect& r = S.rect[i];
        float u = (x - r.x) / r.size, v = (r.z - z) / r.size;
        if (u < 0 || u >= 1 || v < 0 || v >= 1) continue;
        if (r.n > 0) {
            int iu = (int)(u * (r.n + 2)) - 1, iv = (int)(v * (r.n + 2)) - 1;
            if (iu >= 0 && iv >= 0 && iu < r.n && iv < r.n) {
                int k = iv * r.n + iu;
                if ((r.bits[k >> 5] >> (k & 31)) & 1) return white;
            }
        }
        return v3(0.035f, 0.035f, 0.037f);
    }
    return white;
}
// how likely a light's direction is chosen when one is drawn, per steradian
HD float by_light(const Scene& S, const Light& l) { return 1 / (6.2831853f * (1 - l.cosa) * S.nlight); }
// what comes from direction d. Lights count fully (lobe 0), not at all (below 0), or as much as a surface that sends
// rays there with likelihood lobe finds them better than those who draw a light do.
HD V environment(const Scene& S, V d, float lobe) {
    float k = 0.5f + 0.5f * d.z;
    V c = v3(S.sky[0], S.sky[1], S.sky[2]) * k + v3(S.ground[0], S.ground[1], S.ground[2]) * (1 - k);
    float f = fbm(d * 3.0f + v3(S.envseed, S.envseed * 1.7f, 3.1f));
    float g = f > 0.55f ? 1 + S.envamp : (f < 0.42f ? 1 - 0.8f * fminf(S.envamp, 1.0f) : 1.0f);
    c = c * g;
    if (lobe >= 0) for (int i = 0; i < S.nlight; i++) {
        const Light& L = S.light[i];
        float share = lobe > 0 ? lobe / (lobe + by_light(S, L)) : 1;
        if (d.x * L.dir[0] + d.y * L.dir[1] + d.z * L.dir[2] > L.cosa) c = c + v3(L.rgb[0], L.rgb[1], L.rgb[2]) * share;
    }
    return c;
}
HD V surface(const Scene& S, V p, int mat, Material* out) {
    Material m = S.mat[mat];
    V c = v3(m.r, m.g, m.b);
    if (m.tex > 0.5f && m.tex < 1.5f) c = c * (1 + m.texamp * (fbm(p * 0.03f + v3(5, 9, 2)) - 0.5f) * 2);
    if (m.tex > 1.5f && m.tex < 2.5f) { float g = fbm(v3(p.x * 0.02f, p.y * 0.35f, p.z * 0.35f)); c = c * (1 + m.texamp * (g - 0.5f) * 2); }
    if (m.tex > 2.5f && m.tex < 3.5f) { float g = fbm(p * 0.9f); c = c * (1 + m.texamp * (g - 0.5f) * 2); m.rough = clampf(m.rough * (0.5f + g), 0.02f, 1); }
    if (mat == M_CARD) c = card_albedo(S, p, c);
    *out = m;
    return c;
}
HD V onb(V n, float a, float b, float c) {
    V t = fabsf(n.x) > 0.7f ? v3(0, 1, 0) : v3(1, 0, 0);
    V u = unit(cross(n, t)), w = cross(n, u);
    return u * a + w * b + n * c;
}
// what a ray along d found at p: the normal towards it, colour and material
HD void found(const Scene& S, V p, V d, int mat, V* n, V* c, Material* m) {
    int obj;
    if (mat == M_BENCH) *n = v3(0, 0, 1);
    else if (mat == M_WALL) *n = v3(0, -1, 0);
    else { scene_sdf(S, p, &mat, &obj); *n = normal(S, p); }
    if (dot(*n, d) > 0) *n = *n * -1;
    *c = surface(S, p, mat, m);
}
// a light drawn at random: its colour (black where something is before it), where it is and how likely it was drawn
HD V lit(const Scene& S, V p, Rng& g, V* w, float* chosen) {
    int i = (int)(rnd(g) * S.nlight); if (i >= S.nlight) i = S.nlight - 1;
    const Light& l = S.light[i];
    float ct = 1 - rnd(g) * (1 - l.cosa), st = sqrtf(fmaxf(0, 1 - ct * ct)), v = rnd(g) * 6.2831853f, q = 0.01f;
    int hm;
    *w = onb(v3(l.dir[0], l.dir[1], l.dir[2]), st * cosf(v), st * sinf(v), ct);
    *chosen = by_light(S, l);
    return trace(S, p, *w, &q, 900.0f, &hm) ? v3(0, 0, 0) : v3(l.rgb[0], l.rgb[1], l.rgb[2]);
}
// how likely a surface with normal n, whose facets' slopes spread by a, sends a ray that comes along d to direction r
HD float sent(V n, V d, V r, float a) {
    V h = r - d;
    if (dot(h, h) < 1e-9f) return 0;
    h = unit(h);
    float c = dot(h, n), e = c * c * (a * a - 1) + 1;
    return c > 0 ? a * a * c / (3.1415927f * e * e * 4 * fmaxf(-dot(d, h), 1e-4f)) : 0;
}
HD V radiance(const Scene& S, V o, V d, Rng& g) {
    V L = v3(0, 0, 0), T = v3(1, 1, 1);
    float lobe = 0, start = 0;
    bool dull = false;
    for (int k = 0; k < 5; k++) {
        float t = start;
        int mat;
        if (!trace(S, o, d, &t, 1500.0f, &mat)) { L = L + T * environment(S, d, lobe); break; }
        V p = o + d * t, n, c;
        Material m;
        found(S, p, d, mat, &n, &c, &m);
        if (dull) m.rough = fmaxf(m.rough, 0.6f);  // what a mirror throws on a wall is spread: rare rays would be sparks
        float cosi = fmaxf(-dot(n, d), 0), fr = m.spec + (1 - m.spec) * powf(1 - cosi, 5.0f), chosen;
        p = p + n * 0.004f;
        V w;
        if (m.metal > 0.5f || rnd(g) < fr) {
            float a = fmaxf(m.rough * m.rough, 1e-3f), u = rnd(g), v = rnd(g) * 6.2831853f;
            float ct = sqrtf((1 - u) / (1 + (a * a - 1) * u)), st = sqrtf(fmaxf(0, 1 - ct * ct));
            V h = onb(n, st * cosf(v), st * sinf(v), ct);
            V r = d - h * (2 * dot(d, h));
            if (m.metal > 0.5f) { float f5 = powf(1 - cosi, 5.0f); T = T * (c + (v3(1, 1, 1) - c) * f5); }
            if (S.nlight > 0) {
                V from = lit(S, p, g, &w, &chosen);
                float by = sent(n, d, w, a);
                if (dot(w, n) > 0) L = L + T * from * (by / (chosen + by));
            }
            if (dot(r, n) <= 0) break;
            lobe = sent(n, d, r, a);
            o = p; d = r; start = 0.002f;
            continue;
        }
        T = T * c;
        if (S.nlight > 0) {
            V from = lit(S, p, g, &w, &chosen);
            if (dot(w, n) > 0) L = L + T * from * (dot(w, n) / (3.1415927f * chosen));
        }
        float u = rnd(g), v = rnd(g) * 6.2831853f;
        o = p; d = onb(n, sqrtf(u) * cosf(v), sqrtf(u) * sinf(v), sqrtf(fmaxf(0, 1 - u))); start = 0.002f; lobe = -1; dull = true;
        if (k > 0) { float q = fmaxf(T.x, fmaxf(T.y, T.z)); q = clampf(2 * q, 0.05f, 1); if (rnd(g) > q) break; T = T * (1 / q); }
    }
    L.x = fminf(L.x, 8); L.y = fminf(L.y, 8); L.z = fminf(L.z, 8);
    return L;
}
// how open a place is (0..1), from the distances of bodies along its normal
HD float openness(const Scene& S, V p, V n) {
    float shut = 0, w = 1;
    for (int i = 1; i <= 5; i++) {
        float h = 0.35f * i * i;
        shut += w * fmaxf(0, 1 - scene_sdf(S, p + n * h, nullptr, nullptr) / h);
        w *= 0.7f;
    }
    return clampf(1 - 0.36f * shut, 0, 1);
}
// colour with little noise: light from the lamps and, by openness, from all round; mirrors and glossy coats to a depth
// of three; no light from matt body to matt body but a share of the place's own colour
HD V quick(const Scene& S, V o, V d, Rng& g) {
    V L = v3(0, 0, 0), T = v3(1, 1, 1);
    float lobe = 0, start = 0;
    for (int k = 0; k < 3; k++) {
        float t = start;
        int mat;
        if (!trace(S, o, d, &t, 1500.0f, &mat)) { L = L + T * environment(S, d, lobe); break; }
        V p = o + d * t, n, c;
        Material m;
        found(S, p, d, mat, &n, &c, &m);
        float f5 = powf(1 - fmaxf(-dot(n, d), 0), 5.0f);
        V spec = m.metal > 0.5f ? c + (v3(1, 1, 1) - c) * f5 : v3(1, 1, 1) * (m.spec + (1 - m.spec) * f5);
        p = p + n * 0.004f;
        V mirror = d - n * (2 * dot(d, n));
        float rough = m.rough * m.rough, open = openness(S, p, n);
        V all = v3(0, 0, 0);
        for (int i = 0; i < S.nlight; i++) {
            const Light& l = S.light[i];
            V axis = v3(l.dir[0], l.dir[1], l.dir[2]);
            float ct = 1 - rnd(g) * (1 - l.cosa), st = sqrtf(fmaxf(0, 1 - ct * ct)), v = rnd(g) * 6.2831853f;
            V w = onb(axis, st * cosf(v), st * sinf(v), ct);
            float cn = dot(w, n), half = 2 * (1 - l.cosa), off = 2 * (1 - dot(mirror, axis)) / (half + 4 * rough * rough);
            float gloss = rough > 0.02f && off < 6 ? half / (half + 4 * rough * rough) * expf(-off) : 0;
            if (cn <= 0 || (gloss < 0.003f && m.metal > 0.5f)) continue;
            float q = 0.01f; int hm;
            if (trace(S, p, w, &q, 300.0f, &hm)) continue;
            V rgb = v3(l.rgb[0], l.rgb[1], l.rgb[2]);
            all = all + rgb * (cn * half);
            L = L + T * spec * rgb * gloss;
        }
        if (m.metal < 0.5f) {
            float up = 0.5f + 0.5f * n.z;
            V round = v3(S.sky[0], S.sky[1], S.sky[2]) * up + v3(S.ground[0], S.ground[1], S.ground[2]) * (1 - up);
            all = all + round * open + round * c * (0.6f * (1 - open));
            L = L + T * c * all * (1 - spec.x);
            if (spec.x < 0.15f) { if (rnd(g) > 0.3f) break; spec = spec * (1 / 0.3f); }
        }
        T = T * spec;
        float u = rnd(g), v = rnd(g) * 6.2831853f;
        float ct = sqrtf((1 - u) / (1 + (rough * rough - 1) * u)), st = sqrtf(fmaxf(0, 1 - ct * ct));
        V h = onb(n, st * cosf(v), st * sinf(v), ct);
        V r = d - h * (2 * dot(d, h));
        if (dot(r, n) <= 0) r = mirror;
        o = p; d = r; start = 0.002f; lobe = rough <= 0.02f ? 0.0f : -1.0f;
        if (k == 2) L = L + T * (v3(S.sky[0], S.sky[1], S.sky[2]) + v3(S.ground[0], S.ground[1], S.ground[2])) * (0.5f * open);
    }
    L.x = fminf(L.x, 4); L.y = fminf(L.y, 4); L.z = fminf(L.z, 4);
    return L;
}
// plain shading without noise: even light from all round, lamps that are points, a highlight, no mirrors
HD V plain(const Scene& S, V o, V d) {
    float t = 0;
    int mat;
    V sky = v3(S.sky[0], S.sky[1], S.sky[2]), ground = v3(S.ground[0], S.ground[1], S.ground[2]);
    if (!trace(S, o, d, &t, 1500.0f, &mat)) { float k = clampf(0.5f + 1.5f * d.z, 0, 1); return sky * k + ground * (1 - k); }
    V p = o + d * t, n, c;
    Material m;
    found(S, p, d, mat, &n, &c, &m);
    V mirror = d - n * (2 * dot(d, n));
    p = p + n * 0.004f;
    float up = 0.5f + 0.5f * n.z, open = 1 - S.hollow * (1 - openness(S, p, n));
    V L = c * (sky * up + ground * (1 - up)) * open;
    float sharp = 2 / fmaxf(m.rough * m.rough, 0.004f);
    for (int i = 0; i < S.nlight; i++) {
        const Light& l = S.light[i];
        V axis = v3(l.dir[0], l.dir[1], l.dir[2]);
        float cn = dot(axis, n), seen = 1;
        if (cn <= 0) continue;
        if (S.shadow > 0) { float q = 0.01f; int hm; if (trace(S, p, axis, &q, 300.0f, &hm)) seen = 1 - S.shadow; }
        float shine = S.gloss * powf(fmaxf(dot(mirror, axis), 0), sharp);
        L = L + (c * cn + (m.metal > 0.5f ? c : v3(1, 1, 1)) * shine) * v3(l.rgb[0], l.rgb[1], l.rgb[2]) * (seen * 2 * (1 - l.cosa));
    }
    return L;
}
// the viewing ray of an image point (mode 0: pixel with distortion; 1: point of the lever plane; 2: straight down)
HD void ray(const Scene& S, float u, float v, V* o, V* d) {
    V c = v3(S.cam[0], S.cam[1], S.cam[2]);
    if (S.mode == 2) { *o = v3(S.px0 + u * S.mmpp, S.pz0 + v * S.mmpp, 40); *d = v3(0, 0, -1); return; }
    if (S.mode == 1) { *o = c; *d = unit(v3(S.px0 + u * S.mmpp, S.plane_y, S.pz0 - v * S.mmpp) - c); return; }
    float xd = (u - S.cx) / S.fx, yd = (v - S.cy) / S.fy, x = xd, y = yd;
    for (int i = 0; i < 12; i++) { float r2 = x * x + y * y, k = 1 + S.k1 * r2 + S.k2 * r2 * r2; x = xd / k; y = yd / k; }
    const float* R = S.rot;  // world to camera, rows
    *o = c; *d = unit(v3(R[0] * x + R[3] * y + R[6], R[1] * x + R[4] * y + R[7], R[2] * x + R[5] * y + R[8]));
}
HD void pixel(const Scene& S, int x, int y, int spp, float* rgb, uint8_t* label, float* pos) {
    Rng g; g.s = hash32(S.seed ^ hash32(y * 65537U + x));
    V sum = v3(0, 0, 0), o, d;
    for (int i = 0; i < spp; i++) {
        // Gaussian pixel filter, sigma 0.45 pixel
        float u1 = rnd(g), u2 = rnd(g) * 6.2831853f, rr = 0.45f * sqrtf(-2 * logf(fmaxf(u1, 1e-7f)));
        float m = rnd(g) - 0.5f;
        ray(S, x + rr * cosf(u2) + m * S.motion[0], y + rr * sinf(u2) + m * S.motion[1], &o, &d);
        if (S.aperture > 0 && S.mode != 2) {
            V f = v3(S.rot[6], S.rot[7], S.rot[8]);
            V p = o + d * (S.focus / fmaxf(dot(d, f), 0.05f));
            float q = sqrtf(rnd(g)) * S.aperture, a = rnd(g) * 6.2831853f;
            o = o + v3(S.rot[0], S.rot[1], S.rot[2]) * (q * cosf(a)) + v3(S.rot[3], S.rot[4], S.rot[5]) * (q * sinf(a));
            d = unit(p - o);
        }
        sum = sum + (S.quick == 2 ? plain(S, o, d) : S.quick ? quick(S, o, d, g) : radiance(S, o, d, g));
    }
    if (spp > 0) { rgb[0] = sum.x / spp; rgb[1] = sum.y / spp; rgb[2] = sum.z / spp; }
    if (!label) return;
    ray(S, (float)x, (float)y, &o, &d);
    float t = 0; int obj = 0; V p = v3(0, 0, -999);
    int mat;
    if (trace(S, o, d, &t, 1500.0f, &mat)) { p = o + d * t; if (mat < 0) scene_sdf(S, p, 0, &obj); }
    *label = (uint8_t)obj;
    pos[0] = p.x; pos[1] = p.y; pos[2] = p.z;
}
// rays of a pixel: as many as asked for (rays, one byte a pixel), else few outside the rows that matter
HD int many(const Scene& S, const uint8_t* rays, size_t k, int y) {
    if (rays) return rays[k];
    return S.row1 > 0 && (y < S.row0 || y > S.row1) ? (S.spp + 3) / 4 : S.spp;
}
#ifdef __CUDACC__
#include <cstdio>
#include <mutex>
// several threads may render at once, each in a slot of its own, so that no part of the processor waits for a last pixel
constexpr int SLOTS = 8;
__constant__ Scene kept[SLOTS];
struct Slot { std::mutex busy; size_t room = 0; float *rgb = nullptr, *pos = nullptr; uint8_t *label = nullptr, *rays = nullptr; };
static Slot slots[SLOTS];
__global__ void kernel(int slot, const uint8_t* rays, float* rgb, uint8_t* label, float* pos) {
    const Scene* S = &kept[slot];
    int x = blockIdx.x * blockDim.x + threadIdx.x, y = blockIdx.y * blockDim.y + threadIdx.y;
    if (x >= S->width || y >= S->height) return;
    size_t k = (size_t)y * S->width + x;
    pixel(*S, x, y, many(*S, rays, k, y), rgb + 3 * k, label ? label + k : nullptr, pos + 3 * k);
}
static void make_room(Slot& s, size_t n) {
    if (n <= s.room) return;
    cudaFree(s.rgb); cudaFree(s.pos); cudaFree(s.label); cudaFree(s.rays);
    s.rgb = s.pos = nullptr; s.label = s.rays = nullptr; s.room = 0;
    if (cudaMalloc(&s.rgb, n * 12) || cudaMalloc(&s.pos, n * 12) || cudaMalloc(&s.label, n) || cudaMalloc(&s.rays, n)) return;
    s.room = n;
}
static int render_in(int slot, const Scene* S, const uint8_t* rays, float* rgb, uint8_t* label, float* pos) {
    Slot& s = slots[slot];
    size_t n = (size_t)S->width * S->height;
    make_room(s, n);
    if (s.room >= n) {
        if (rays) cudaMemcpy(s.rays, rays, n, cudaMemcpyHostToDevice);
        cudaMemcpyToSymbol(kept, S, sizeof(Scene), slot * sizeof(Scene));
        dim3 b(8, 8), g((S->width + 7) / 8, (S->height + 7) / 8);
        kernel<<<g, b>>>(slot, rays ? s.rays : nullptr, s.rgb, label ? s.label : nullptr, s.pos);
        cudaMemcpy(rgb, s.rgb, n * 12, cudaMemcpyDeviceToHost);
        if (label) { cudaMemcpy(pos, s.pos, n * 12, cudaMemcpyDeviceToHost); cudaMemcpy(label, s.label, n, cudaMemcpyDeviceToHost); }
    }
    cudaError_t e = cudaGetLastError();
    if (e != cudaSuccess) { fprintf(stderr, "%s\n", cudaGetErrorString(e)); return 1; }
    return 0;
}
extern "C" int render(const Scene* S, const uint8_t* rays, float* rgb, uint8_t* label, float* pos) {
    for (int k = 0; k < SLOTS; k++) {
        std::unique_lock<std::mutex> mine(slots[k].busy, std::try_to_lock);
        if (mine.owns_lock()) return render_in(k, S, rays, rgb, label, pos);
    }
    std::lock_guard<std::mutex> mine(slots[0].busy);
    return render_in(0, S, rays, rgb, label, pos);
}
#else
extern "C" int render(const Scene* S, const uint8_t* rays, float* rgb, uint8_t* label, float* pos) {
#pragma omp parallel for schedule(dynamic, 4)
    for (int y = 0; y < S->height; y++)
        for (int x = 0; x < S->width; x++) {
            size_t k = (size_t)y * S->width + x;
            pixel(*S, x, y, many(*S, rays, k, y), rgb + 3 * k, label ? label + k : nullptr, pos + 3 * k);
        }
    return 0;
}
#endif
extern "C" int scene_size() { return (int)sizeof(Scene); }
