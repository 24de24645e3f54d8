#include <lobetime/core/random.hpp>

#include <Random123/philox.h>
#include <Random123/boxmuller.hpp>
#include <Random123/uniform.hpp>

namespace lobetime {
namespace {

r123::Philox4x64::ctr_type bits(std::uint64_t seed, std::uint64_t stream, std::uint64_t index, std::uint64_t purpose) {
    const r123::Philox4x64::ctr_type counter = {{index, purpose, 0, 0}};
    const r123::Philox4x64::key_type key = {{seed, stream}};
    return r123::Philox4x64{}(counter, key);
}

constexpr std::uint64_t kUniforms = 1;
constexpr std::uint64_t kNormals = 2;

}  // namespace

std::array<double, 4> CounterRandom::uniforms(std::uint64_t index) const {
    const auto b = bits(seed_, stream_, index, kUniforms);
    return {r123::u01fixedpt<double>(b[0]), r123::u01fixedpt<double>(b[1]), r123::u01fixedpt<double>(b[2]),
            r123::u01fixedpt<double>(b[3])};
}

std::array<double, 4> CounterRandom::normals(std::uint64_t index) const {
    const auto b = bits(seed_, stream_, index, kNormals);
    const auto first = r123::boxmuller(b[0], b[1]);
    const auto second = r123::boxmuller(b[2], b[3]);
    return {first.x, first.y, second.x, second.y};
}

std::uint64_t stable_hash(std::string_view text) {
    std::uint64_t hash = 0xcbf29ce484222325ULL;
    for (const char c : text) {
        hash ^= static_cast<unsigned char>(c);
        hash *= 0x100000001b3ULL;
    }
    return hash;
}

}  // namespace lobetime
