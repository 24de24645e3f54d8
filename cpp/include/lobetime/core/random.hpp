#pragma once
#include <array>
#include <cstdint>
#include <string_view>

namespace lobetime {

/// Random numbers addressed, not drawn: the value depends on (seed, stream, index) alone, so results are the
/// same at any thread count and in any order of evaluation.
///
/// Philox4x64-10 (Salmon et al., SC 2011, doi 10.1145/2063384.2063405) through Random123.
class CounterRandom {
public:
    CounterRandom(std::uint64_t seed, std::uint64_t stream) : seed_(seed), stream_(stream) {}

    /// Four independent uniforms in (0, 1).
    std::array<double, 4> uniforms(std::uint64_t index) const;

    /// Four independent standard normals (Box-Muller).
    std::array<double, 4> normals(std::uint64_t index) const;

private:
    std::uint64_t seed_;
    std::uint64_t stream_;
};

/// 64-bit FNV-1a hash of a text: names a random stream after a case or a surgeon, the same on every machine.
std::uint64_t stable_hash(std::string_view text);

}  // namespace lobetime
