"""The rasteriser's programs for the graphics card, in GLSL 3.30."""

VERTEX = """
#version 330
in vec3 place; in vec3 normal; in vec3 base; in vec2 finish; in vec2 uv;
uniform mat4 clip;
out vec3 p; out vec3 n; out vec3 colour; out vec2 worn; out vec2 st;
invariant gl_Position;
void main() {
    p = place; n = normal; colour = base; worn = finish; st = uv;
    gl_Position = clip * vec4(place, 1.0);
}
"""

FRAME = """
#version 330
out vec2 at;
void main() {
    at = vec2(gl_VertexID & 1, gl_VertexID >> 1) * 4.0 - 1.0;
    gl_Position = vec4(at, 1.0, 1.0);
}
"""

DEPTH = """
#version 330
void main() {}
"""

#: where each pixel's surface is (a: its label) and its normal, seen from the eye
SHAPE = """
#version 330
in vec3 p; in vec3 n;
uniform vec3 eye; uniform float label;
layout(location = 0) out vec4 where; layout(location = 1) out vec4 facing;
void main() {
    vec3 flat_n = cross(dFdx(p), dFdy(p)), v = eye - p;
    flat_n *= sign(dot(flat_n, v));
    where = vec4(p, label);
    facing = vec4(normalize(n) * (dot(n, flat_n) < 0.0 ? -1.0 : 1.0), 1.0);
}
"""

#: share of the hemisphere that near surfaces leave open, from what the frame shows (screen-space ambient occlusion)
OPEN = """
#version 330
uniform sampler2D where; uniform sampler2D facing; uniform mat4 clip; uniform vec3 eye; uniform vec2 reach_mm;
out float open;
const int TAPS = 40;
float dither(vec2 q) { return fract(52.9829189 * fract(dot(q, vec2(0.06711056, 0.00583715)))); }
void main() {
    ivec2 here = ivec2(gl_FragCoord.xy);
    vec3 n = texelFetch(facing, here, 0).xyz;
    if (dot(n, n) < 0.5) { open = 1.0; return; }
    vec3 p = texelFetch(where, here, 0).xyz;
    vec3 side = normalize(abs(n.z) < 0.9 ? cross(n, vec3(0, 0, 1)) : cross(n, vec3(1, 0, 0)));
    vec3 other = cross(n, side);
    float turn = dither(gl_FragCoord.xy) * 6.2831853, hidden = 0.0;
    for (int i = 0; i < TAPS; ++i) {
        float u = (float(i) + 0.5) / float(TAPS), a = turn + 2.3999632 * float(i), r = sqrt(u);
        vec3 way = r * cos(a) * side + r * sin(a) * other + sqrt(1.0 - u) * n;
        float most = (i & 1) == 0 ? reach_mm.x : reach_mm.y;
        float far = most * mix(0.06, 1.0, fract(0.618034 * float(i) + dither(gl_FragCoord.yx)));
        vec3 tap = p + n * 0.03 * most + way * far;
        vec4 q = clip * vec4(tap, 1.0);
        vec2 at = q.xy / q.w * 0.5 + 0.5;
        if (q.w <= 0.0 || any(lessThan(at, vec2(0))) || any(greaterThan(at, vec2(1)))) continue;
        ivec2 there = min(ivec2(at * vec2(textureSize(where, 0))), textureSize(where, 0) - 1);
        if (dot(texelFetch(facing, there, 0).xyz, vec3(1)) == 0.0) continue;
        float ahead = distance(tap, eye) - distance(texelFetch(where, there, 0).xyz, eye);
        if (ahead > 0.02 * most) hidden += 1.0 - smoothstep(reach_mm.y, 2.0 * reach_mm.y, ahead);
    }
    open = 1.0 - hidden / float(TAPS);
}
"""

#: the room itself, where nothing stands before it
ROOM = """
#version 330
in vec2 at;
uniform sampler2D room; uniform vec2 slope; uniform mat3 turn;
out vec4 light;
void main() {
    vec3 d = normalize(transpose(turn) * vec3(at * slope, 1.0));
    vec2 place = vec2(atan(d.x, d.y) / 6.2831853, acos(clamp(d.z, -1.0, 1.0)) / 3.14159265);
    light = vec4(textureLod(room, place, 0.0).rgb, 1.0);
}
"""

LIGHT = """
#version 330
in vec3 p; in vec3 n; in vec3 colour; in vec2 worn; in vec2 st;
uniform int kind;  // 0 colours of the vertices, 1 a picture on a mesh, 2 a plane
uniform vec3 eye; uniform sampler2DArray around; uniform sampler2D open;
uniform sampler2D picture; uniform sampler2D bumps; uniform vec3 along; uniform vec3 upward; uniform float plane_metal;
uniform sampler2D plane_picture0; uniform sampler2D plane_picture1;
uniform vec3 plane_corner[2]; uniform vec3 plane_side[2]; uniform vec3 plane_up[2]; uniform vec3 plane_normal[2];
uniform vec3 plane_light[2]; uniform float plane_repeat[2]; uniform float plane_texel_mm[2]; uniform float contact_mm;
uniform int lamps; uniform vec3 lamp_way[3]; uniform vec3 lamp_light[3]; uniform float lamp_slope[3];
uniform mat4 lamp_clip[3]; uniform float lamp_depth_mm[3]; uniform float lamp_wide_mm[3]; uniform sampler2D shadows;
uniform vec3 flash_place; uniform float flash;
out vec4 light;

const float PI = 3.14159265;

vec3 layer(vec3 d, float which) {
    return texture(around, vec3(atan(d.x, d.y) / (2.0 * PI), acos(clamp(d.z, -1.0, 1.0)) / PI, which)).rgb;
}

vec3 environment(vec3 d, float rough) {
    float k = clamp(rough * 5.0, 0.0, 5.0), low = min(floor(k), 4.0);
    return mix(layer(d, low), layer(d, low + 1.0), k - low);
}

// What a mirror at p shows in direction d: the planes as they lie, everything else as if far away.
vec3 mirrored(vec3 d, float rough) {
    vec3 seen = environment(d, rough);
    float nearest = 1e9;
    for (int i = 0; i < 2; ++i) {
        float down = dot(d, plane_normal[i]);
        if (plane_repeat[i] <= 0.0 || abs(down) < 1e-4) continue;
        float t = dot(plane_corner[i] - p, plane_normal[i]) / down;
        vec3 from = p + t * d - plane_corner[i];
        vec2 at = vec2(dot(from, plane_side[i]), dot(from, plane_up[i]));
        if (t < 0.02 || t > nearest || any(lessThan(at, vec2(0))) || any(greaterThan(at, vec2(1)))) continue;
        nearest = t;
        float level = log2(1.0 + (0.002 + rough * rough) * t / plane_texel_mm[i]) + 0.5;
        vec3 paint = i == 0 ? textureLod(plane_picture0, at * plane_repeat[i], level).rgb
                            : textureLod(plane_picture1, at * plane_repeat[i], level).rgb;
        vec3 lit = paint * plane_light[i] * mix(0.45, 1.0, smoothstep(0.0, contact_mm, t));
        seen = mix(lit, seen, smoothstep(0.3, 0.7, rough) * smoothstep(0.0, 2.0 * contact_mm, t));
    }
    return seen;
}

float dither(vec2 q) { return fract(52.9829189 * fract(dot(q, vec2(0.06711056, 0.00583715)))); }

// Percentage-closer soft shadows (Fernando 2005): the mean depth of what stands before sets the width of the edge.
float shadow(int i, vec3 normal) {
    vec3 off = p + normal * (1.5 * lamp_wide_mm[i] / float(textureSize(shadows, 0).y) * 2.0);
    vec4 q = lamp_clip[i] * vec4(off, 1.0);
    vec3 c = q.xyz * 0.5 + 0.5;
    if (any(lessThan(c, vec3(0))) || any(greaterThan(c, vec3(1)))) return 1.0;
    vec2 tile = vec2(i & 1, i >> 1) * 0.5;
    float turn = dither(gl_FragCoord.xy) * 6.2831853, bias = 0.15 / lamp_depth_mm[i];
    float search = min(0.06, lamp_slope[i] * c.z * lamp_depth_mm[i] / lamp_wide_mm[i]);
    float front = 0.0, count = 0.0;
    for (int k = 0; k < 8; ++k) {
        float a = turn + 2.3999632 * float(k);
        vec2 at = c.xy + search * sqrt((float(k) + 0.5) / 8.0) * vec2(cos(a), sin(a));
        float d = textureLod(shadows, tile + clamp(at, 0.001, 0.999) * 0.5, 0).r;
        if (d < c.z - bias) { front += d; count += 1.0; }
    }
    if (count == 0.0) return 1.0;
    float wide = max(lamp_slope[i] * (c.z - front / count) * lamp_depth_mm[i], 0.15) / lamp_wide_mm[i];
    wide = min(wide, 0.08);
    float lit = 0.0, slack = bias + wide * lamp_wide_mm[i] / lamp_depth_mm[i] * 0.6;
    for (int k = 0; k < 16; ++k) {
        float a = turn + 2.3999632 * float(k);
        vec2 at = c.xy + wide * sqrt((float(k) + 0.5) / 16.0) * vec2(cos(a), sin(a));
        float d = textureLod(shadows, tile + clamp(at, 0.001, 0.999) * 0.5, 0).r;
        lit += d < c.z - min(slack, 1.2 / lamp_depth_mm[i]) ? 0.0 : 1.0;
    }
    return lit / 16.0;
}

// One small light by Trowbridge and Reitz's distribution (GGX) with Schlick's Fresnel term.
vec3 glint(vec3 normal, vec3 v, vec3 l, vec3 f0, float rough) {
    vec3 h = normalize(v + l);
    float a2 = pow(max(rough, 0.08), 4.0), nh = max(dot(normal, h), 0.0), nl = max(dot(normal, l), 0.0);
    float d = nh * nh * (a2 - 1.0) + 1.0, k = (rough + 1.0) * (rough + 1.0) / 8.0, nv = max(dot(normal, v), 0.05);
    float masked = 0.25 / ((nl * (1.0 - k) + k) * (nv * (1.0 - k) + k));
    return (f0 + (1.0 - f0) * pow(1.0 - clamp(dot(v, h), 0.0, 1.0), 5.0)) * a2 / (PI * d * d) * masked * nl;
}

void main() {
    vec3 v = normalize(eye - p), flat_n = cross(dFdx(p), dFdy(p));
    float size = length(flat_n) * (dot(flat_n, v) < 0.0 ? -1.0 : 1.0);
    flat_n = abs(size) > 1e-12 && abs(size) < 1e12 ? flat_n / size : v;  // faces seen edge-on have no slope
    vec3 normal = normalize(n), base = clamp(colour, 0.0, 1.0);  // at edges of faces they are extrapolated
    float rough = clamp(worn.x, 0.03, 1.0), metal = clamp(worn.y, 0.0, 1.0);
    if (kind >= 1) base = texture(picture, st).rgb;
    if (kind == 2) {
        vec4 bump = texture(bumps, st);
        normal = normalize(bump.x * along + bump.y * upward + bump.z * normal);
        rough = bump.w; metal = plane_metal;
    }
    if (dot(normal, flat_n) < 0.0) normal = -normal;
    float nv = max(dot(normal, v), 0.03), free = texelFetch(open, ivec2(gl_FragCoord.xy), 0).r;
    vec3 f0 = mix(vec3(0.04), base, metal);
    // the environment's share by Karis's fit (2014), dimmed in corners as Lagarde and de Rousiers do (2014)
    vec4 r = rough * vec4(-1.0, -0.0275, -0.572, 0.022) + vec4(1.0, 0.0425, 1.04, -0.04);
    float edge = min(r.x * r.x, exp2(-9.28 * nv)) * r.x + r.y;
    vec2 share = vec2(-1.04, 1.04) * edge + r.zw;
    float clear = clamp(pow(nv + free, exp2(-16.0 * rough - 1.0)) - 1.0 + free, 0.0, 1.0);
    vec3 d = reflect(-v, normal);
    vec3 gloss = mirrored(d, rough) * (f0 * share.x + share.y) * clear;
    vec3 matt = layer(normal, 6.0) * free;
    for (int i = 0; i < lamps; ++i) {
        float nl = dot(normal, lamp_way[i]);
        if (nl > 0.0) matt += lamp_light[i] / PI * nl * shadow(i, flat_n);
    }
    vec3 l = flash_place - p;
    float strength = flash / dot(l, l);
    l = normalize(l);
    matt += strength / PI * max(dot(normal, l), 0.0);
    gloss += strength * glint(normal, v, l, f0, rough);
    light = vec4(matt * base * (1.0 - metal) + gloss, 1.0);
}
"""
